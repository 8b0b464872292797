"""Hand an appliance over: two identifiers, the try-in, the end of its way."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.permissions import may, require
from production.actions.bench.remaking import remake
from production.actions.errors import Refused
from production.actions.recording import find, locked, moved, record
from production.bench.codes import clean
from production.bench.gates import before_delivery
from production.bench.trace import withdrawn_in
from production.models import Appliance, Handover, RemakeCause, Stage, StageEvent


@dataclass(frozen=True)
class HandedOver:
    """The record of a hand-over, and the remake that a failed try-in opened."""

    handover: Handover
    remake: Appliance | None = None


def deliver(
    user: User,
    appliance: Appliance,
    *,
    code_on_bag: str,
    identity_checked: bool,
    try_in: str,
    cause: RemakeCause | None = None,
    restart: Stage | None = None,
    note: str = "",
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> HandedOver:
    """Close the appliance when it seats (at once or after adjustment), else open a remake.

    Two identifiers are asked for, neither of them a place: the code read from the bag,
    and name with date of birth as the patient says them (common hospital practice;
    Joint Commission goal NPSG.01.01.01, WHO Patient Safety Solutions 2007 no. 2).

    Parameters
    ----------
    code_on_bag : str
        What was scanned or typed from the bag.
    identity_checked : bool
        The patient said name and date of birth, and both agree with the record.
    try_in : Handover.TryIn
        "seats", "adjust" (adjusted at the chair, then seats), or "no_seat".
    cause, restart
        For "no_seat": why, and where the remake starts.

    Raises
    ------
    Refused
        An identifier disagrees, a stopping finding is open, a lot in it was withdrawn (a
        doctor may give it out, with a reason in ``note``), or the cause is missing.
    """
    require(user, "hand_over")
    with transaction.atomic():
        row = locked(appliance, "scan", "model")
        earlier = find(key) or find(f"{key}:old")
        if earlier:
            return _again(earlier)
        if seen is not None and seen != row.seq:
            raise moved(row)
        _identify(row, code_on_bag, identity_checked)
        if try_in not in Handover.TryIn.values:
            raise Refused("Record how it seats.")
        faults = before_delivery(row)
        if faults:
            raise Refused(" ".join(faults))
        if try_in != Handover.TryIn.NO_SEAT:
            _withdrawn_lots(user, row, note)
        again: Appliance | None = None
        if try_in == Handover.TryIn.NO_SEAT:
            if cause is None:
                raise Refused("Say why it does not seat; the remake needs its cause.")
            again = remake(
                user, row, cause=cause, restart=restart, note=note, key=key, seen=seen, at=at
            )
            event = find(f"{key}:old")
        else:
            event = record(
                user, row, StageEvent.Action.DELIVER, key=key, seen=seen, at=at, note=note[:300]
            )
        if event is None:
            raise Refused("The hand-over was not recorded; try again.")
        handover = Handover.objects.create(
            appliance=row,
            event=event,
            at=at or timezone.now(),
            by=user,
            code_checked=True,
            identity_checked=True,
            try_in=try_in,
            note=note[:300],
        )
        appliance.refresh_from_db()
        return HandedOver(handover, again)


def _identify(row: Appliance, code_on_bag: str, identity_checked: bool) -> None:
    if clean(code_on_bag) != row.code:
        raise Refused(
            f"The code on the bag is not {row.code}. Stop: this may be another patient's."
            if code_on_bag.strip()
            else "Scan the code on the bag first."
        )
    if not identity_checked:
        raise Refused("Ask for name and date of birth, and confirm that both agree.")


def _withdrawn_lots(user: User, row: Appliance, note: str) -> None:
    """Leave it to a doctor, with a reason, whether a piece from a withdrawn lot is given out."""
    uses = withdrawn_in(row)
    if not uses:
        return
    lots = ", ".join(dict.fromkeys(str(use.lot) for use in uses))
    if not may(user, "accept_scan"):
        raise Refused(f"Made with {lots}, withdrawn since: the doctor decides. Keep it back.")
    if len(note.strip()) < 4:
        raise Refused(f"Made with {lots}, withdrawn since: write in the note why it is given out.")


def _again(event: StageEvent) -> HandedOver:
    handover = Handover.objects.get(event=event)
    new = event.appliance.remakes.order_by("-pk").first()
    return HandedOver(handover, new if handover.try_in == Handover.TryIn.NO_SEAT else None)

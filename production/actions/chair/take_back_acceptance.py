"""A doctor takes back the acceptance of a scan; what was begun on it waits and is told."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.models import record as audit
from clinic.permissions import require
from production import work
from production.actions.chair.scanning import BEFORE_PRINT
from production.actions.errors import Refused
from production.actions.recording import locked, record
from production.bench.fold import SCAN_STAGE
from production.bench.gates import open_stop
from production.bench.history import position_of
from production.models import Acceptance, Appliance, Scan, StageEvent

KEY = "unaccepted"
STOPPED = (Appliance.Status.WAITING, Appliance.Status.READY)
MARKS = (StageEvent.Action.START, StageEvent.Action.FINISH)


def take_back_acceptance(user: User, scan: Scan, reason: str) -> None:
    """Withdraw every standing acceptance of ``scan``.

    What is not printed yet goes back to the scan stage, where the next usable scan moves it
    on; what waits further on is put on hold; what runs on a machine runs to its end and is
    held then; what was handed over stays handed over. Files and models are kept. Repeating
    it changes nothing.

    Raises
    ------
    PermissionDenied
        Only a doctor decides this.
    Refused
        No reason is given.
    """
    require(user, "accept_scan")
    reason = reason.strip()
    if len(reason) < 4:
        raise Refused("Write why the acceptance is taken back.")
    with transaction.atomic():
        row = Scan.objects.select_for_update(of=("self",)).get(pk=scan.pk)
        standing = row.acceptances.filter(taken_back_at=None)
        if not standing.update(
            taken_back_at=timezone.now(), taken_back_by=user, taken_back_reason=reason
        ):
            return
        built = list(row.appliances.select_related("scan", "stage").order_by("code"))
        if open_stop(row):
            for appliance in built:
                stop_work(user, appliance)
        audit(
            user,
            "scan acceptance taken back",
            row,
            reason=reason,
            stood={a.code: f"{a.stage}, {a.status}" for a in built},
        )
        work.ask("plan", coalesce=True)


def stop_work(user: User, appliance: Appliance, follows: StageEvent | None = None) -> None:
    """Hold what waits on a scan whose acceptance was taken back; what runs is left to its end.

    Called when that happens, and after each stage that was under way then: ``follows`` is the
    finish of that stage, with which the hold is taken back.
    """
    scan = appliance.scan
    if scan is None or not appliance.open or not open_stop(scan):
        return
    gone = scan.acceptances.filter(taken_back_at__isnull=False).order_by("taken_back_at").last()
    if gone is None:
        return
    why = f"{gone.taken_back_by} took the acceptance of its scan back: {gone.taken_back_reason}"
    row = locked(appliance)
    while (newest := _last(row)) and newest.action in MARKS and _before_print(newest):
        _record(user, row, StageEvent.Action.UNDO, gone, why, undoes=newest)
    if row.stage and row.stage.code != SCAN_STAGE and row.status in STOPPED:
        _record(user, row, StageEvent.Action.HOLD, gone, why, follows=follows)


def go_on(user: User, accepted: Acceptance) -> None:
    """Release what only waits because an earlier acceptance of the scan was taken back."""
    for row in Appliance.objects.filter(scan=accepted.scan, status=Appliance.Status.HELD):
        newest = _last(row)
        if newest and newest.key.startswith(f"{KEY}:"):
            note, key = "Its scan is accepted again", f"accepted:{accepted.pk}:{row.code}"
            record(user, row, StageEvent.Action.RELEASE, note=note, key=key)


def _last(row: Appliance) -> StageEvent | None:
    """Return the last event that counts."""
    position = position_of(row.pk)
    return row.events.select_related("stage").get(seq=position.last) if position else None


def _before_print(event: StageEvent) -> bool:
    return event.stage is not None and event.stage.code in BEFORE_PRINT


def _record(
    user: User, row: Appliance, action: str, gone: Acceptance, why: str, **details: Any
) -> None:
    key = f"{KEY}:{gone.pk}:{row.code}:{row.seq}"
    record(user, row, action, key=key, note=why[:300], **details)

"""Make an appliance again: after a failed fit, or because it was lost, from what is stored."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.models import record as audit
from clinic.permissions import may, require
from production.actions.chair.prepare_model import prepare_moved
from production.actions.chair.scanning import attach_scan, newer_scan
from production.actions.desk.opening import new_appliance, open_event
from production.actions.errors import Refused
from production.actions.recording import find, locked, record
from production.bench.fold import PREPARE_STAGE, SCAN_STAGE
from production.bench.routes import route_of
from production.bench.trace import lots_in
from production.models import Appliance, LotUse, Order, RemakeCause, Stage, StageEvent


def remake(
    user: User,
    appliance: Appliance,
    *,
    cause: RemakeCause,
    restart: Stage | None = None,
    purpose: str = Order.Purpose.REMAKE,
    note: str = "",
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> Appliance:
    """Replace a ready or delivered appliance by a new one, with an order of its own.

    The new appliance enters the route at ``restart`` (the cause's usual stage when left
    out) with the stored scan and model, except that a restart at the scan asks for a new
    scan, which may be on file already, and one at the preparation for a new model.
    ``purpose`` is a remake, or a replacement for one that the patient lost.

    Returns
    -------
    Appliance
        The new one; agree on a promise for its order next.

    Raises
    ------
    Refused
        It was never ready, it was replaced already, or the restart is not on the route.
    """
    if not may(user, "bench"):
        require(user, "order")
    with transaction.atomic():
        earlier = find(f"{key}:new")
        if earlier:
            return earlier.appliance
        old = locked(appliance, "order__kind", "step", "scan", "model")
        when = at or timezone.now()
        stages = [r.stage for r in route_of(old.kind_id)]
        target = restart or _usual(cause) or stages[0]
        if target not in stages:
            raise Refused(f"{target} is not on the route of {old.kind}.")
        if target.code == SCAN_STAGE and old.step_id:
            target = next(s for s in stages if s.code != SCAN_STAGE)
        event = record(
            user,
            old,
            StageEvent.Action.REMAKE,
            key=f"{key}:old",
            seen=seen,
            at=at,
            cause=cause,
            note=note[:300],
        )
        order = Order.objects.create(
            patient_id=old.order.patient_id,
            kind=old.kind,
            prescriber=old.order.prescriber,
            purpose=purpose,
            sheet=old.order.sheet,
            characteristics=old.order.characteristics,
            series=old.order.series,
            created_at=when,
            created_by=user,
        )
        new = new_appliance(order, old.arch, when, step=old.step)
        new.remake_of, new.remake_cause = old, cause
        if target.code != SCAN_STAGE:
            new.scan = old.scan
            if target.code != PREPARE_STAGE:
                new.model = old.model
        new.save(update_fields=["remake_of", "remake_cause", "scan", "model"])
        opened = open_event(user, new, target, key=f"{key}:new", at=event.at)
        _carry_over(old, opened, target)
        if target.code == SCAN_STAGE and (newer := newer_scan(new, old.scan)):
            attach_scan(user, new, newer, key=f"{key}:scan")
            prepare_moved(newer.uploaded_by, [new])
        audit(user, "appliance.remake", new, of=old.code, cause=cause.code)
        appliance.refresh_from_db()
        return new


def _carry_over(old: Appliance, opened: StageEvent, restart: Stage) -> None:
    """Link the lots of work that is not done again to the new one; nothing more is used up.

    A retainer that is only trimmed anew is still the sheet of the old one.
    """
    kept = dict.fromkeys(use.lot for use in lots_in(old, before=restart))
    LotUse.objects.bulk_create(
        LotUse(event=opened, appliance_id=opened.appliance_id, lot=lot, amount=0) for lot in kept
    )


def _usual(cause: RemakeCause) -> Stage | None:
    node: RemakeCause | None = cause
    while node is not None:
        if node.restart is not None:
            return node.restart
        node = node.parent
    return None

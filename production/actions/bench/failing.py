"""Record a failure: the appliance goes back to the stage where the work restarts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.permissions import require
from production.actions.bench.loading import IN_A_RUN, leave, run_of
from production.actions.chair.prepare_model import prepare_moved
from production.actions.chair.scanning import attach_scan, newer_scan
from production.actions.errors import Refused
from production.actions.recording import find, locked, record
from production.bench.fold import SCAN_STAGE
from production.bench.routes import route_of, up_to
from production.models import (
    Appliance,
    Load,
    Photo,
    RemakeCause,
    Stage,
    StageEvent,
    StoredFile,
)


def fail(
    user: User,
    appliance: Appliance,
    *,
    cause: RemakeCause,
    restart: Stage | None = None,
    photos: Sequence[StoredFile] = (),
    note: str = "",
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> StageEvent:
    """Record that the present stage failed, why, and where work starts again.

    ``restart`` is the cause's usual stage when left out: the scan, the model (prepare or
    print), the sheet (form), or the present stage. Where that is the scan and a newer usable
    one is on file already, work goes on from it at once. What comes out of a running load
    leaves the rest of the load running. A new plan weighs the promise again.

    Raises
    ------
    Refused
        The restart lies ahead of where the appliance stands, or it is not open any more.
    """
    require(user, "bench")
    with transaction.atomic():
        row = locked(appliance, "scan")
        earlier = find(key)
        if earlier:
            return earlier
        if row.stage is None:
            raise Refused(f"{row.code} stands at no stage.")
        target = restart or default_restart(row, cause)
        if target not in up_to(route_of(row.kind_id), row.stage):
            raise Refused(f"Work on {row.code} cannot restart at {target}; it is at {row.stage}.")
        load = run_of(row) if row.status in IN_A_RUN else None
        event = record(
            user,
            row,
            StageEvent.Action.FAIL,
            key=key,
            seen=seen,
            at=at,
            to_stage=target,
            cause=cause,
            load=load,
            machine=load.machine if load else None,
            scan=row.scan,
            model_id=row.model_id,
            note=note[:300],
        )
        Photo.objects.bulk_create(Photo(event=event, file=file) for file in photos)
        if load is not None:
            leave(load, row, Load.Status.FAILED, event.at)
        if target.code == SCAN_STAGE and (newer := newer_scan(row, row.scan)):
            attach_scan(user, row, newer, key=f"{key}:scan", follows=event)
            prepare_moved(user, [row])
        appliance.refresh_from_db()
        return event


def default_restart(appliance: Appliance, cause: RemakeCause) -> Stage:
    """Return where the cause, or the branch it hangs on, says that work restarts."""
    if appliance.stage is None:
        raise Refused(f"{appliance.code} stands at no stage.")
    allowed = up_to(route_of(appliance.kind_id), appliance.stage)
    node: RemakeCause | None = cause
    while node is not None:
        if node.restart is not None and node.restart in allowed:
            return node.restart
        node = node.parent
    return appliance.stage


def fail_in_load(
    user: User,
    load: Load,
    appliances: Sequence[Appliance],
    *,
    cause: RemakeCause,
    restart: Stage | None = None,
    photos: Sequence[StoredFile] = (),
    note: str = "",
    key: str,
    at: dt.datetime | None = None,
) -> Load:
    """Fail the chosen appliances of a running load at once; when none is left, the load failed."""
    require(user, "bench")
    with transaction.atomic():
        row = Load.objects.select_for_update().get(pk=load.pk)
        if find(f"{key}:1"):
            return row
        if not appliances:
            raise Refused("Choose which of them failed.")
        members = set(row.items.values_list("appliance_id", flat=True))
        moment = at or timezone.now()
        ordered = sorted(appliances, key=lambda a: a.code)
        for number, appliance in enumerate(ordered, start=1):
            if appliance.pk not in members:
                raise Refused(f"{appliance.code} is not in {row.code}.")
            fail(
                user,
                appliance,
                cause=cause,
                restart=restart,
                photos=photos,
                note=note,
                key=f"{key}:{number}",
                at=moment,
            )
        row.refresh_from_db()
        return row

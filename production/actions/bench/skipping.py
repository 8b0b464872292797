"""Skip a stage that this appliance does not need."""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from clinic.models import User
from clinic.permissions import require
from production.actions.errors import Refused
from production.actions.recording import find, locked, record
from production.bench.routes import after, place, route_of
from production.models import Appliance, StageEvent


def skip(
    user: User,
    appliance: Appliance,
    *,
    note: str,
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> StageEvent:
    """Skip the present stage, if the route calls it optional, with a reason.

    Raises
    ------
    Refused
        The stage is not optional, or no reason is given.
    """
    require(user, "bench")
    with transaction.atomic():
        row = locked(appliance)
        earlier = find(key)
        if earlier:
            return earlier
        route = route_of(row.kind_id)
        here = place(route, row.stage) if row.stage else None
        if row.stage is None or here is None or not here.optional:
            raise Refused(f"{row.stage} cannot be skipped on this route.")
        if not note.strip():
            raise Refused("Say why the stage is not needed.")
        event = record(
            user,
            row,
            StageEvent.Action.SKIP,
            key=key,
            seen=seen,
            at=at,
            to_stage=after(route, row.stage),
            note=note[:300],
        )
        appliance.refresh_from_db()
        return event

"""Put an appliance on hold, and let it go on."""

from __future__ import annotations

import datetime as dt

from clinic.models import User
from clinic.permissions import require
from production.actions.errors import Refused
from production.actions.recording import record
from production.models import Appliance, StageEvent


def hold(
    user: User,
    appliance: Appliance,
    *,
    note: str,
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> StageEvent:
    """Stop work on the appliance, with a reason, until it is released."""
    require(user, "bench")
    if not note.strip():
        raise Refused("Say what it waits for.")
    return record(
        user, appliance, StageEvent.Action.HOLD, key=key, seen=seen, at=at, note=note[:300]
    )


def release(
    user: User,
    appliance: Appliance,
    *,
    note: str = "",
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> StageEvent:
    """Let work go on where it was."""
    require(user, "bench")
    return record(
        user, appliance, StageEvent.Action.RELEASE, key=key, seen=seen, at=at, note=note[:300]
    )

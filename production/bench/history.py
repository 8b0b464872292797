"""Read an appliance's events in the form the fold takes, and compare fold and cache."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import Any

from production.bench.fold import Event, Position, fold
from production.models import Appliance, StageEvent

_FIELDS = (
    "seq",
    "action",
    "at",
    "stage__code",
    "to_stage__code",
    "undoes__seq",
    "scan__uploaded_at",
)


def events_of(appliance_id: int) -> list[Event]:
    """Return the events of one appliance, oldest first. One query."""
    rows = StageEvent.objects.filter(appliance_id=appliance_id).order_by("seq")
    return [Event(*row) for row in rows.values_list(*_FIELDS)]


def position_of(appliance_id: int) -> Position | None:
    """Fold one appliance's events; None when it has none yet."""
    events = events_of(appliance_id)
    return fold(events) if events else None


def cache_of(position: Position) -> dict[str, Any]:
    """Return the cached columns of an appliance that stands at ``position``, stage by code."""
    return {
        "stage": position.stage,
        "status": position.status,
        "seq": position.seq,
        "stage_since": position.since,
        "scanned_at": position.scanned_at,
        "ready_at": position.ready_at,
        "delivered_at": position.delivered_at,
        "failures": position.failures,
    }


def disagreements(appliances: Iterable[Appliance] | None = None) -> Iterator[tuple[str, str]]:
    """Yield (code, what differs) for each appliance whose cache is not the fold of its events."""
    rows = StageEvent.objects.order_by("appliance_id", "seq")
    chosen = Appliance.objects.select_related("stage")
    if appliances is not None:
        ids = [a.pk for a in appliances]
        rows = rows.filter(appliance_id__in=ids)
        chosen = chosen.filter(pk__in=ids)
    known = {a.pk: a for a in chosen}
    stream = rows.values_list("appliance_id", *_FIELDS).iterator(chunk_size=5000)
    for pk, group in groupby(stream, key=lambda row: row[0]):
        appliance = known.pop(pk)
        wanted = cache_of(fold([Event(*row[1:]) for row in group]))
        for name, value in wanted.items():
            held = getattr(appliance, name)
            if name == "stage":
                held = held.code if held else None
            if held != value:
                yield appliance.code, f"{name} is {held}, its events say {value}"
    for appliance in known.values():
        yield appliance.code, "no events"

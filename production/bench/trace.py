"""Which lots are in a piece as it is now."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from production.bench.routes import route_of
from production.models import Appliance, LotUse, RouteStage, Stage, StageEvent


def standing(route: Sequence[RouteStage], events: Iterable[StageEvent]) -> list[tuple[int, LotUse]]:
    """Return the uses left in the piece after ``events`` that count, each with its place.

    The place is the position in the route. Work that was redone is left out; what a failed
    attempt used stays in the record, and in a lot's own list. What a remake took over from
    the piece before it hangs on its opening, and has the place of the stage that asks for
    such a material. Events need their ``lot_uses`` loaded.
    """
    place = {r.stage_id: r.position for r in route}
    asks = {r.stage.needs_lot: r.position for r in route if r.stage.needs_lot}
    uses: list[tuple[int, LotUse]] = []
    for event in events:
        if event.action == StageEvent.Action.FAIL and event.to_stage_id:
            back = place.get(event.to_stage_id, 0)
            uses = [(at, use) for at, use in uses if at < back]
        for use in event.lot_uses.all():
            at = place.get(event.stage_id) if event.stage_id else asks.get(use.lot.material.kind)
            uses.append((at or 0, use))
    return uses


def lots_in(appliance: Appliance, before: Stage | None = None) -> list[LotUse]:
    """Return the lots in the piece as it is now, with their materials.

    ``before``: only of the work that comes earlier in the route than this stage.
    """
    events = (
        appliance.events.filter(undone_by=None)
        .exclude(action=StageEvent.Action.UNDO)
        .select_related("stage")
        .prefetch_related("lot_uses__lot__material")
        .order_by("seq")
    )
    route = route_of(appliance.kind_id)
    end = next((r.position for r in route if before and r.stage_id == before.pk), None)
    return [use for at, use in standing(route, events) if end is None or at < end]


def withdrawn_in(appliance: Appliance) -> list[LotUse]:
    """Return the uses of withdrawn lots among them; nearly always none, told by one query."""
    if not LotUse.objects.filter(appliance=appliance, lot__withdrawn=True).exists():
        return []
    return [use for use in lots_in(appliance) if use.lot.withdrawn]

"""What became of a lot in the appliances it went into: still in them, redone, taken back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection

from django.db.models import F

from production.models import Lot, LotUse, RouteStage, StageEvent

__all__ = ["FATES", "IN_IT", "REDONE", "TAKEN_BACK", "fates"]

IN_IT, REDONE, TAKEN_BACK = "used", "redone since", "taken back"
#: In words, for people who decide whom to call.
FATES = {
    IN_IT: "used",
    REDONE: "not in it any more: that work failed and is done again",
    TAKEN_BACK: "not in it: recorded by a slip and taken back at once",
}


def fates(lot: Lot, among: Collection[int] | None = None) -> dict[int, str]:
    """Return, by appliance, what became of the lot where it is not in the piece any more.

    A piece that is left out has it. Three queries; all of a lot's appliances, or those in
    ``among``. The list of a recall still names every one of them, since the reader has to
    see why it need not be called.
    """
    undone, slips = _taken_back(lot)
    found = _redone(lot, undone, slips, among)
    for appliance, events in slips.items():
        if appliance not in found and (among is None or appliance in among):
            uses = LotUse.objects.filter(lot=lot, appliance=appliance).exclude(event__in=events)
            if not uses.exists():
                found[appliance] = TAKEN_BACK
    return found


def _taken_back(lot: Lot) -> tuple[set[int], dict[int, set[int]]]:
    """Return all events that were taken back, and by appliance those that used the lot.

    From the few undoing events on: by lot, the database would look through all its uses.
    """
    undone: set[int] = set()
    slips: dict[int, set[int]] = defaultdict(set)
    rows = StageEvent.objects.filter(undoes__gt=0).order_by()
    for event, appliance, used in rows.values_list("undoes", "appliance", "undoes__lot_uses__lot"):
        if event is None:
            continue
        undone.add(event)
        if used == lot.pk:
            slips[appliance].add(event)
    return undone, slips


def _redone(
    lot: Lot, undone: set[int], slips: dict[int, set[int]], among: Collection[int] | None
) -> dict[int, str]:
    """Find the pieces in which every use of the lot was followed by work from further back."""
    failures = StageEvent.objects.filter(
        action=StageEvent.Action.FAIL,
        appliance__failures__gt=0,  # cached with the appliance: most have none
        appliance__lot_uses__lot=lot,
        seq__gt=F("appliance__lot_uses__event__seq"),
    )
    uses = LotUse.objects.filter(lot=lot)
    if among is not None:
        failures, uses = failures.filter(appliance__in=among), uses.filter(appliance__in=among)
    fell: dict[int, list[tuple[int, int | None]]] = defaultdict(list)
    for event, appliance, seq, stage in failures.order_by().values_list(
        "pk", "appliance", "seq", "to_stage"
    ):
        if event not in undone:
            fell[appliance].append((seq, stage))
    place: dict[tuple[int, int | None], int] = {}
    asks: dict[tuple[int, str], int] = {}
    for entry in RouteStage.objects.select_related("stage"):
        place[(entry.kind_id, entry.stage_id)] = entry.position
        asks[(entry.kind_id, entry.stage.needs_lot)] = entry.position
    found: dict[int, str] = {}
    in_it: set[int] = set()
    rows = uses.filter(appliance__in=list(fell)).order_by()
    for appliance, kind, event, seq, stage in rows.values_list(
        "appliance", "appliance__kind", "event", "event__seq", "event__stage"
    ):
        if event in slips.get(appliance, ()):
            continue
        # What a remake took over hangs on its opening, which is at no stage.
        at = place.get((kind, stage)) or asks.get((kind, lot.material.kind), 0)
        again = any(later > seq and place.get((kind, to), 0) <= at for later, to in fell[appliance])
        if again:
            found[appliance] = REDONE
        else:
            in_it.add(appliance)
    return {appliance: fate for appliance, fate in found.items() if appliance not in in_it}

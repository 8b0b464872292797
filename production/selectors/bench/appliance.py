"""Reads for an appliance's page: its way through the route, its record, its trace."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Prefetch, prefetch_related_objects

from production.bench.fold import SCAN_STAGE
from production.bench.trace import standing
from production.models import (
    Appliance,
    FormerPrescription,
    Handover,
    InstructionCard,
    LotUse,
    Promise,
    RemakeCause,
    RouteStage,
    Stage,
    StageEvent,
)
from production.models.catalog import LOST

AHEAD: tuple[str, dt.datetime | None] = ("ahead", None)
MOVES_ON = (StageEvent.Action.FINISH, StageEvent.Action.SKIP)


@dataclass(frozen=True)
class Step:
    """A stage of the route as this appliance went, or will go, through it."""

    stage: Stage
    state: str  # "done", "skipped", "here", "ahead"
    at: dt.datetime | None
    minutes: float


@dataclass(frozen=True)
class Entry:
    """One line of the record: an event, whether it still counts, and what was ticked."""

    event: StageEvent
    undone: bool
    ticked: list[str]
    took: dt.timedelta | None


def prescription_changed(appliance: Appliance) -> FormerPrescription | None:
    """Return what its order asked for before the latest change; None where nothing changed."""
    rows = FormerPrescription.objects.filter(order=appliance.order_id)
    return rows.select_related("changed_by").order_by("-pk").first()


def history(appliance: Appliance, route: Sequence[RouteStage] = ()) -> list[Entry]:
    """Return the events, oldest first, with lots, photos and the card's wording as shown.

    What is few and shared is read apart, each row once; stages of ``route``, if given, not
    again.
    """
    events = list(appliance.events.select_related("load").order_by("seq"))
    stages = {leg.stage_id: leg.stage for leg in route}
    for event in events:
        if event.stage_id in stages:
            event.stage = stages[event.stage_id]
        if event.to_stage_id in stages:
            event.to_stage = stages[event.to_stage_id]
    prefetch_related_objects(
        events,
        "stage",
        "to_stage",
        "by",
        "machine",
        "program",
        "card",
        "cause",
        Prefetch("lot_uses", LotUse.objects.select_related("lot__material")),
        "photos",
        Prefetch("handover", Handover.objects.select_related("by")),
    )
    known = {event.pk: event for event in events}
    for event in events:
        if event.undoes_id:
            event.undoes = known[event.undoes_id]  # of the same appliance, always
    undone = {event.undoes_id for event in events if event.undoes_id}
    entries = []
    started: StageEvent | None = None
    for event in events:
        counts = event.pk not in undone and event.action != StageEvent.Action.UNDO
        took = None
        if counts and event.action == StageEvent.Action.START:
            started = event
        elif counts and event.action == StageEvent.Action.FINISH:
            if started is not None and started.stage_id == event.stage_id:
                took = event.at - started.at
            started = None
        entries.append(Entry(event, event.pk in undone, _ticked(event.card, event.ticks), took))
    return entries


def _ticked(card: InstructionCard | None, ticks: list[str]) -> list[str]:
    if card is None:
        return []
    return [item["text"] for item in card.items if item["id"] in ticks]


def route_steps(appliance: Appliance, route: list[RouteStage], entries: list[Entry]) -> list[Step]:
    """Return the route with what is done; a failure makes later stages lie ahead again."""
    done: dict[int, tuple[str, dt.datetime | None]] = {}
    place = {r.stage_id: r.position for r in route}
    for entry in entries:
        event = entry.event
        if entry.undone or event.stage_id is None:
            continue
        if event.action in MOVES_ON:
            state = "skipped" if event.action == StageEvent.Action.SKIP else "done"
            done[event.stage_id] = (state, event.at)
        elif event.action == StageEvent.Action.FAIL and event.to_stage_id:
            back = place.get(event.to_stage_id, 0)
            done = {pk: value for pk, value in done.items() if place.get(pk, 0) < back}
    here = place.get(appliance.stage_id, 0) if appliance.stage_id else 0
    steps = []
    for leg in route:
        state, at = done.get(leg.stage_id, AHEAD)
        if leg.stage_id == appliance.stage_id:
            finished = appliance.status == Appliance.Status.DELIVERED
            state = "done" if finished else "here"
            at = appliance.delivered_at
        elif state == "ahead" and leg.stage.code == SCAN_STAGE and appliance.scan_id:
            state, at = "done", appliance.scanned_at
        elif state == "ahead" and leg.position < here:
            state = "skipped"  # it began after it, as a step of a series does after the scan
        steps.append(Step(leg.stage, state, at, leg.minutes))
    return steps


def made_with(route: list[RouteStage], entries: list[Entry]) -> list[LotUse]:
    """Return the lots in the piece as it is now; see ``trace.standing``."""
    counted = (entry.event for entry in entries if not entry.undone)
    return [use for _, use in standing(route, counted)]


def promise_for(appliance: Appliance) -> Promise | None:
    """Return the order's standing promise."""
    return Promise.objects.filter(order_id=appliance.order_id, superseded_at=None).first()


def remakes_of(appliance: Appliance) -> list[Appliance]:
    """Return what was made in its place."""
    return list(appliance.remakes.select_related("remake_cause"))


def handovers_in(entries: list[Entry]) -> list[Handover]:
    """Return the hand-overs of a record that still count."""
    counted = (entry.event for entry in entries if not entry.undone)
    return [event.handover for event in counted if hasattr(event, "handover")]


def hold_of(entries: list[Entry]) -> StageEvent | None:
    """Return the event that put the appliance on hold, if that is how it stands."""
    counted = [e.event for e in entries if not e.undone and e.event.action != "undo"]
    last = counted[-1] if counted else None
    return last if last and last.action == StageEvent.Action.HOLD else None


def handovers_of(appliance: Appliance) -> list[Handover]:
    """Return its hand-overs that still count, without its record."""
    return list(
        appliance.handovers.filter(event__undone_by=None).select_related("by").order_by("at")
    )


@dataclass(frozen=True)
class Branch:
    """A branch of the tree of causes with the leaves that suit a stage."""

    cause: RemakeCause
    leaves: list[RemakeCause]


def causes_for(
    stage: Stage | None, *, at_bench: bool = False, without: str | None = None
) -> list[Branch]:
    """Return the tree of causes, those of ``stage`` first; a branch without leaves is a leaf.

    What failed at the bench cannot have failed at a later stage, nor been lost by its patient:
    with ``at_bench`` such causes are left out. ``without``: code of one that stands elsewhere on
    the page.
    """
    rows = list(
        RemakeCause.objects.filter(active=True).select_related("stage").order_by("position", "pk")
    )
    branches_of = {row.parent_id for row in rows}
    rows = [row for row in rows if row.code != without]
    if at_bench and stage is not None:
        rows = [row for row in rows if row.pk in branches_of or _by_now(row, stage)]
    children: dict[int, list[RemakeCause]] = {}
    for row in rows:
        if row.parent_id:
            children.setdefault(row.parent_id, []).append(row)
    branches = [
        Branch(row, children.get(row.pk) or [row])
        for row in rows
        if not row.parent_id and (row.pk in children or row.pk not in branches_of)
    ]
    if stage is None:
        return branches

    def here(branch: Branch) -> bool:
        return any(leaf.stage_id == stage.pk for leaf in branch.leaves)

    return sorted(branches, key=lambda branch: not here(branch))


def _by_now(cause: RemakeCause, stage: Stage) -> bool:
    return cause.code != LOST and (cause.stage is None or cause.stage.position <= stage.position)

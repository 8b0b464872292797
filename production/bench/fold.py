"""From an appliance's events to where it stands: a pure fold.

Rules
-----
1. Events are numbered 1, 2, 3 … without a gap (``seq``); the first one is ``open``.
2. An ``undo`` names an earlier event by its number. Both are ignored when the rest is
   replayed; both stay on record. Only the last event that still counts can be undone,
   never the opening, and an undo itself cannot be undone.
3. The rest is replayed in order:

   ========= ============================ ===================================================
   action    allowed when                 effect
   ========= ============================ ===================================================
   open      first                        stands at ``to_stage``, waiting
   start     waiting                      running
   finish    running, waiting             stands at ``to_stage``, waiting (a finish without a
                                          start is one whose start nobody knows)
   skip      waiting                      stands at ``to_stage``, waiting
   fail      waiting, running, held,      stands at ``to_stage``, waiting; one more failure
             ready
   hold      waiting, running, ready      held
   release   held                         as it was before the hold
   deliver   ready                        delivered
   remake    ready, delivered             replaced by a remake
   cancel    waiting, running, held,      cancelled
             ready
   trouble   delivered                    nothing moves: trouble with the fit is on record
   ========= ============================ ===================================================

4. Waiting at the hand-over stage is *ready*.

``to_stage`` is written with the event, so that editing a route later does not rewrite
the past.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace

SCAN_STAGE = "scan"
PREPARE_STAGE = "prepare"
HANDOVER_STAGE = "delivery"

WAITING, RUNNING, HELD, READY = "waiting", "running", "held", "ready"
DELIVERED, REMADE, CANCELLED = "delivered", "remade", "cancelled"
OPEN = frozenset({WAITING, RUNNING, HELD, READY})

ALLOWED: dict[str, frozenset[str]] = {
    "start": frozenset({WAITING}),
    "finish": frozenset({RUNNING, WAITING}),
    "skip": frozenset({WAITING}),
    "fail": OPEN,
    "hold": frozenset({WAITING, RUNNING, READY}),
    "release": frozenset({HELD}),
    "deliver": frozenset({READY}),
    "remake": frozenset({READY, DELIVERED}),
    "cancel": OPEN,
    "trouble": frozenset({DELIVERED}),
}


class FoldError(ValueError):
    """The events cannot have happened in this order."""


@dataclass(frozen=True, slots=True)
class Event:
    """What the fold needs to know of an event. Stages by code; ``undoes`` by number.

    ``scan_from`` is when the scan was uploaded that a failed piece was made from, if known.
    """

    seq: int
    action: str
    at: dt.datetime
    stage: str | None = None
    to_stage: str | None = None
    undoes: int | None = None
    scan_from: dt.datetime | None = None


@dataclass(frozen=True, slots=True)
class Position:
    """Where an appliance stands after its events.

    ``since`` is when it came to its stage and status. ``scan_after``: since a failure sent it
    back to the scan, only a scan uploaded later than that counts. It is the upload of the scan
    that failed, since the new one may be on file before somebody records the failure; the time
    of the failure where that scan is not known.
    ``last`` is the number of the last event that counts, the one an undo may take back.
    """

    stage: str | None
    status: str
    seq: int
    since: dt.datetime
    last: int
    scanned_at: dt.datetime | None = None
    ready_at: dt.datetime | None = None
    delivered_at: dt.datetime | None = None
    failures: int = 0
    scan_after: dt.datetime | None = None
    before_hold: str | None = None


def effective(events: Iterable[Event]) -> list[Event]:
    """Return the events that count: without undos and what they took back.

    Raises
    ------
    FoldError
        A gap in the numbers, or an undo of something that cannot be undone.
    """
    counted: list[Event] = []
    for number, event in enumerate(events, start=1):
        if event.seq != number:
            raise FoldError(f"event {event.seq} where {number} was due")
        if (event.action == "open") != (number == 1):
            raise FoldError("an appliance opens once, first")
        if event.action != "undo":
            counted.append(event)
            continue
        if len(counted) < 2 or counted[-1].seq != event.undoes:
            raise FoldError(f"event {number} takes back {event.undoes}, which is not the last")
        counted.pop()
    return counted


def fold(events: Iterable[Event]) -> Position:
    """Replay ``events`` (in order of ``seq``) and return where the appliance stands.

    Raises
    ------
    FoldError
        There is no event, or the order is impossible.
    """
    known = list(events)
    counted = effective(known)
    if not counted:
        raise FoldError("an appliance without events")
    position = _opened(counted[0])
    for event in counted[1:]:
        position = _after(position, event)
    return replace(position, seq=len(known))


def _opened(event: Event) -> Position:
    status = READY if event.to_stage == HANDOVER_STAGE else WAITING
    return Position(event.to_stage, status, event.seq, event.at, event.seq)


def _after(now: Position, event: Event) -> Position:
    """Return the position after one more event that counts."""
    if now.status not in ALLOWED[event.action]:
        raise FoldError(f"event {event.seq}: cannot {event.action} what is {now.status}")
    if event.stage != now.stage:
        raise FoldError(f"event {event.seq} happened at {event.stage}, it stood at {now.stage}")
    if event.action == "trouble":
        return replace(now, last=event.seq)
    moved = replace(now, since=event.at, last=event.seq, before_hold=None)
    match event.action:
        case "start":
            return replace(moved, status=RUNNING)
        case "hold":
            return replace(moved, status=HELD, before_hold=now.status)
        case "release":
            return replace(moved, status=now.before_hold or WAITING)
        case "deliver":
            return replace(moved, status=DELIVERED, delivered_at=event.at)
        case "remake":
            return replace(moved, status=REMADE)
        case "cancel":
            return replace(moved, status=CANCELLED)
    if event.to_stage is None:
        raise FoldError(f"event {event.seq}: {event.action} leads nowhere")
    ready = event.to_stage == HANDOVER_STAGE
    moved = replace(
        moved,
        stage=event.to_stage,
        status=READY if ready else WAITING,
        ready_at=event.at if ready else None,
    )
    if event.action == "fail":
        back_to_scan = event.to_stage == SCAN_STAGE
        return replace(
            moved,
            failures=now.failures + 1,
            scan_after=(event.scan_from or event.at) if back_to_scan else now.scan_after,
            scanned_at=None if back_to_scan else now.scanned_at,
        )
    if event.action == "finish" and now.stage == SCAN_STAGE:
        return replace(moved, scanned_at=event.at)
    return moved

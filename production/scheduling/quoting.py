"""When can this patient safely come back? The planner's answer as times on the office's clock."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from django.utils.text import capfirst

from clinic.models import Office
from production.bench.fold import SCAN_STAGE
from production.models import ApplianceKind, Material, Order, Promise
from production.planning.policy import among
from production.scheduling.hours import minutes_after
from production.scheduling.never import never
from production.scheduling.state import CHAIR, Situation, read_situation, steps_of

log = logging.getLogger(__name__)

NEW = "new"
CHECK_FUTURES = 1000
NOTICEABLE = 0.002
PUSHES = (
    "With any time that is left this work would put promises already made at risk. Below: "
    "which ones, and what other times would cost; agree on one only if the doctor accepts that."
)
NEVER_HELD = (CHAIR,)  # the patient is there for it


@dataclass(frozen=True)
class Offer:
    """What the desk can say to the patient.

    ``earliest`` is None when no time can be promised; ``reason`` says why.
    ``delayed`` holds (promise, probability of missing it before, after);
    ``alternatives`` holds (time, probability of keeping it, words). ``hold_until``: the
    times offered push no promise only if the order is left alone until then; agreeing on
    one of them has to keep it so (``actions.wishing.keep_back``).
    """

    earliest: dt.datetime | None
    p_kept: float | None = None
    delayed: list[tuple[Promise, float, float]] = field(default_factory=list)
    alternatives: list[tuple[dt.datetime, float, str]] = field(default_factory=list)
    reason: str = ""
    hold_until: dt.datetime | None = None


def quote_pickup(
    kind: ApplianceKind,
    arches: Sequence[str],
    ready_from: dt.datetime,
    *,
    confidence: float | None = None,
    due_at: dt.datetime | None = None,
    scanned: Collection[str] = (),
    sheet: Material | None = None,
) -> Offer:
    """Ask for a pickup time of new appliances whose scan is taken from ``ready_from`` on.

    With ``due_at`` the question is how likely that time is kept; it comes back as
    ``earliest`` with its probability. ``arches`` names the appliances, each by a label of
    its own; those in ``scanned`` have their scan or step file already.
    """
    office = Office.get()
    situation = read_situation()
    release = max(0.0, minutes_after(situation.origin, ready_from))
    jobs = [
        {
            "id": f"{NEW}-{arch}",
            "release": release,
            "group": NEW,
            "steps": [
                step
                for entry, step in steps_of(
                    situation, kind.pk, office.cut_height_mm, sheet.pk if sheet else None
                )
                if arch not in scanned or entry.stage.code != SCAN_STAGE
            ],
        }
        for arch in arches
    ]
    return _offer(situation, jobs, confidence or office.confidence, due_at)


def requote(
    order: Order, *, confidence: float | None = None, situation: Situation | None = None
) -> Offer:
    """Ask when an open order can be picked up, as things stand now (or in ``situation``)."""
    from production import planning

    situation = situation or read_situation()
    group = str(order.pk)
    # Read as one bench first: work that has started keeps the place where it is done.
    whole = planning.parse_problem(situation.problem)
    own = [job for job in whole.jobs if str(job.group) == group]
    if not own:
        return Offer(None, reason="Nothing of this order is being made.")
    others = tuple(job for job in whole.jobs if str(job.group) != group)
    answer = planning.quote(
        replace(whole, jobs=others, policy=among(whole.policy, {str(job.id) for job in others})),
        own,
        confidence=confidence or Office.get().confidence,
        may_hold=True,
        never_held=NEVER_HELD,
    )
    return _as_offer(situation, answer)


def _offer(
    situation: Situation,
    jobs: list[dict[str, Any]],
    confidence: float,
    due_at: dt.datetime | None,
) -> Offer:
    from production import planning

    if any(not job["steps"] for job in jobs):
        return Offer(None, reason="This kind has no route yet; the manager can add its stages.")
    problem = planning.parse_problem(situation.problem)
    if due_at is not None:
        return _check_time(situation, jobs, confidence, due_at)
    return _as_offer(
        situation,
        planning.quote(problem, jobs, confidence=confidence, may_hold=True, never_held=NEVER_HELD),
    )


def _as_offer(situation: Situation, answer: dict[str, Any]) -> Offer:
    return Offer(
        earliest=None if answer["earliest"] is None else situation.moment(answer["earliest"]),
        p_kept=answer["p_kept"],
        delayed=_delayed(situation, answer["delayed"]),
        alternatives=[
            (situation.moment(item["due"]), item["p_kept"], _cost(situation, item, answer))
            for item in answer.get("alternatives", [])
        ],
        reason=_why_none(answer),
        hold_until=situation.moment(answer["hold_until"]) if "hold_until" in answer else None,
    )


def _why_none(answer: dict[str, Any]) -> str:
    if answer.get("pushed"):
        return PUSHES
    stuck = never(answer.get("cause"))
    return str(stuck) if stuck else capfirst(answer.get("reason") or "")


def _cost(situation: Situation, item: dict[str, Any], answer: dict[str, Any]) -> str:
    """Say what another time gains or costs."""
    pushed = len({_order_of(situation, code) for code in item.get("past_limit", [])})
    if pushed:
        return f"puts {pushed} other promise{'s' if pushed > 1 else ''} at risk"
    if answer["earliest"] is not None and item["due"] < answer["earliest"]:
        return "sooner, less certain"
    return "later, more certain"


def _check_time(
    situation: Situation, jobs: list[dict[str, Any]], confidence: float, due_at: dt.datetime
) -> Offer:
    """Say how likely a wished time is kept, and what it does to the other promises.

    Where it would be kept but pushes another promise past the risk limit, it is judged
    again with the new work left alone for a while, as times of our own are.
    """
    from production import planning
    from production.planning.promises.quoting import HOLDS
    from production.planning.promises.risk import allowed_risk

    due = minutes_after(situation.origin, due_at)
    if due <= 0:
        return Offer(None, reason="That time has passed; choose a later one.")
    before = planning.foresee(planning.parse_problem(situation.problem), samples=CHECK_FUTURES)
    as_it_is = None
    for hold in (0.0, *HOLDS):
        after = planning.foresee(
            planning.parse_problem(_with(situation, jobs, due, hold)), samples=CHECK_FUTURES
        )
        late = {str(g["id"]): g["p_late"] or 0.0 for g in after["groups"]}
        risks = [
            (str(g["id"]), g["p_late"] or 0.0, late.get(str(g["id"]), 0.0))
            for g in before["groups"]
        ]
        delayed = [
            {"id": group, "p_late_before": old, "p_late_after": new}
            for group, old, new in risks
            if new > old + NOTICEABLE
        ]
        offer = Offer(
            due_at,
            p_kept=1.0 - late.get(NEW, 1.0),
            delayed=_delayed(situation, delayed),
            hold_until=situation.moment(hold) if hold else None,
        )
        limit = situation.problem["risk_limit"]
        pushes = any(new > allowed_risk(old, limit) for _, old, new in risks)
        if as_it_is is None:
            as_it_is = offer
        kept = 1.0 - late.get(NEW, 1.0) >= confidence
        if kept and not pushes:
            return offer
        if not kept:
            break  # left alone it would only be later
    assert as_it_is is not None
    return as_it_is


def _with(
    situation: Situation, jobs: list[dict[str, Any]], due: float, hold: float
) -> dict[str, Any]:
    """Return the problem with the new jobs promised for ``due`` and left alone for a while."""
    new = []
    for job in jobs:
        steps = [dict(step) for step in job["steps"]]
        for step in [s for s in steps if s["kind"] not in NEVER_HELD][:1]:
            step["not_before"] = max(step.get("not_before", 0.0), hold)
        new.append(job | {"due": due, "steps": steps})
    return situation.problem | {"jobs": [*situation.problem["jobs"], *new]}


def _order_of(situation: Situation, name: object) -> str:
    """Return the order of a job of the planner's, or of a group, which is one."""
    appliance = situation.appliances.get(str(name))
    return str(appliance.order_id) if appliance else str(name)


def _delayed(
    situation: Situation, items: list[dict[str, Any]]
) -> list[tuple[Promise, float, float]]:
    """Return the promises that the new order makes less certain, each order once."""
    found: dict[int, tuple[Promise, float, float]] = {}
    for item in items:
        promise = situation.promises.get(_order_of(situation, item["id"]))
        if promise is None:
            continue
        before, after = item["p_late_before"], item["p_late_after"]
        known = found.get(promise.pk)
        if known is None or after > known[2]:
            found[promise.pk] = (promise, before, after)
    return sorted(found.values(), key=lambda f: f[1] - f[2])


def warm() -> None:
    """Compile the planner; called in the background when a web process starts."""
    from production import planning

    try:
        planning.warm()
    except Exception:
        log.exception("the planner could not be warmed up")

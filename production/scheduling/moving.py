"""What moving a block of the plan would do, asked before it is done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass, field

from production import planning
from production.models import Machine, Promise, Stage, Wish
from production.planning.pace import at_todays_pace
from production.planning.promises.risk import allowed_risk
from production.scheduling.state import Situation, read_situation, steps_of, wished

FUTURES = 1000
SEED = 20_26
NOTICEABLE = 0.01
DAYS = 10  # like this one, for which broken promises are counted: whole ones, not parts


@dataclass(frozen=True)
class Change:
    """A promise whose chance the move changes."""

    promise: Promise
    before: float  # probability of missing it
    after: float
    broken: bool  # pushed past what the office accepts, as new work would be refused for

    @property
    def kept_before(self) -> float:
        """Probability of keeping it as things stand."""
        return 1.0 - self.before

    @property
    def kept_after(self) -> float:
        """Probability of keeping it after the move."""
        return 1.0 - self.after

    @property
    def worse(self) -> bool:
        """Whether the move harms it."""
        return self.after > self.before


@dataclass(frozen=True)
class Consequence:
    """The planner's answer: when the moved work would run, and what that does to promises."""

    state: str
    start: dt.datetime | None = None
    end: dt.datetime | None = None
    machine: Machine | None = None
    changes: list[Change] = field(default_factory=list)
    broken_before: float = 0.0  # expected number of broken promises
    broken_after: float = 0.0
    refusal: str = ""

    @property
    def missed_now(self) -> float:
        """Promises that would be missed in ten days like this, as things stand."""
        return DAYS * self.broken_before

    @property
    def missed_then(self) -> float:
        """Promises that would be missed in ten days like this after the move."""
        return DAYS * self.broken_after

    @property
    def harmless(self) -> bool:
        """Whether no promise becomes noticeably less certain."""
        return not self.refusal and not any(change.worse for change in self.changes)


def consider(codes: Collection[str], stage: Stage, wish: Wish | None) -> Consequence:
    """Ask the planner what would become of the promises if a wish were granted.

    Parameters
    ----------
    codes : collection of str
        The appliances of the block.
    stage : Stage
        The stage to be moved.
    wish : Wish or None
        Machine, time and rank; need not be on record. None: if it were left to the planner.
    """
    situation = read_situation()
    told = situation.problem
    before = planning.foresee(planning.parse_problem(told), samples=FUTURES, seed=SEED)
    places = _places(situation, codes, stage)
    if not places:
        return Consequence(
            situation.state, refusal=f"{stage.name} of this work has begun or is over."
        )
    changed = told | {"jobs": _granted(situation, told["jobs"], places, stage, wish)}
    problem = planning.parse_problem(changed)
    plan = planning.plan(planning.parse_problem(at_todays_pace(changed)))
    stuck = [item for item in plan["infeasible"] if str(item["job"]) in places]
    if stuck:
        return Consequence(situation.state, refusal="There is no open time in which it would fit.")
    after = planning.foresee(problem, samples=FUTURES, seed=SEED)
    runs = [s for s in plan["steps"] if places.get(str(s["job"])) == s["index"]]
    changes, totals = _changes(situation, before, after)
    return Consequence(
        situation.state,
        start=situation.moment(min(s["start"] for s in runs)),
        end=situation.moment(max(s["end"] for s in runs)),
        machine=situation.machines.get(str(runs[0]["resource"])),
        changes=changes,
        broken_before=totals[0],
        broken_after=totals[1],
    )


def _places(situation: Situation, codes: Collection[str], stage: Stage) -> dict[str, int]:
    """Return the place of the stage in the route of every appliance that still waits for it."""
    found = {}
    jobs = {str(job["id"]): job for job in situation.problem["jobs"]}
    for code in codes:
        appliance, job = situation.appliances.get(code), jobs.get(code)
        if appliance is None or job is None:
            continue
        for index, (entry, _) in enumerate(steps_of(situation, appliance.kind_id, 0.0)):
            step = job["steps"][index]
            if entry.stage_id == stage.pk and not step.get("done") and "started" not in step:
                found[code] = index
    return found


def _granted(
    situation: Situation,
    jobs: list[dict[str, object]],
    places: dict[str, int],
    stage: Stage,
    wish: Wish | None,
) -> list[dict[str, object]]:
    granted = []
    for job in jobs:
        place = places.get(str(job["id"]))
        if place is not None:
            steps = [dict(step) for step in job["steps"]]  # type: ignore[attr-defined]
            for key in ("first", "not_before", "resource"):
                steps[place].pop(key, None)
            if wish is not None:
                steps[place] |= wished(situation, stage, wish)
            job = job | {"steps": steps}
        granted.append(job)
    return granted


def _changes(
    situation: Situation,
    before: dict[str, list[dict[str, float]]],
    after: dict[str, list[dict[str, float]]],
) -> tuple[list[Change], tuple[float, float]]:
    limit = situation.problem["risk_limit"]
    later = {str(g["id"]): g["p_late"] for g in after["groups"]}
    found = []
    totals = [0.0, 0.0]
    for group in before["groups"]:
        promise = situation.promises.get(str(group["id"]))
        if promise is None:
            continue
        was, becomes = group["p_late"], later[str(group["id"])]
        totals[0] += was
        totals[1] += becomes
        if abs(becomes - was) > NOTICEABLE:
            found.append(Change(promise, was, becomes, becomes > allowed_risk(was, limit)))
    found.sort(key=lambda c: (not c.broken, c.before - c.after))
    return found, (totals[0], totals[1])

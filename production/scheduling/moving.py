"""What moving a block of the plan would do, asked before it is done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass

from production import planning
from production.models import Machine, Stage, Wish
from production.planning.pace import at_todays_pace
from production.scheduling.effect import Answer, effect
from production.scheduling.state import Situation, read_situation, steps_of, wished


@dataclass(frozen=True)
class Consequence(Answer):
    """The planner's answer to a move, and when the moved work would run."""

    start: dt.datetime | None = None
    end: dt.datetime | None = None
    machine: Machine | None = None
    refusal: str = ""

    @property
    def harmless(self) -> bool:
        """Whether it is possible and no promise becomes noticeably less certain."""
        return not self.refusal and super().harmless


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
    places = _places(situation, codes, stage)
    if not places:
        return Consequence(
            situation.state, refusal=f"{stage.name} of this work has begun or is over."
        )
    changed = told | {"jobs": _granted(situation, told["jobs"], places, stage, wish)}
    plan = planning.plan(planning.parse_problem(at_todays_pace(changed)))
    stuck = [item for item in plan["infeasible"] if str(item["job"]) in places]
    if stuck:
        return Consequence(situation.state, refusal="There is no open time in which it would fit.")
    runs = [s for s in plan["steps"] if places.get(str(s["job"])) == s["index"]]
    answer = effect(situation, changed)
    return Consequence(
        answer.state,
        answer.changes,
        answer.broken_before,
        answer.broken_after,
        start=situation.moment(min(s["start"] for s in runs)),
        end=situation.moment(max(s["end"] for s in runs)),
        machine=situation.machines.get(str(runs[0]["resource"])),
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

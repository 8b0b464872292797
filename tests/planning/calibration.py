"""How well the probabilities fit what happens, on days the planner has not seen."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from production.planning import foresee
from production.planning.entities import Problem
from production.planning.promises.reliability import Reliability, reliability
from tests.planning.office import RULE, Truth, learn, mid_day, morning, run

MOMENTS = (0.0, 60.0, 120.0, 180.0, 240.0, 300.0)


def halved_spread(problem: Problem) -> Problem:
    """Return the problem as a planner would see it who believes half of all spread."""
    jobs = tuple(
        replace(j, steps=tuple(replace(s, spread=s.spread / 2) for s in j.steps))
        for j in problem.jobs
    )
    return replace(
        problem,
        jobs=jobs,
        day_spread=problem.day_spread / 2,
        day_spread_today=problem.day_spread_today / 2,
    )


def no_day_factor(problem: Problem) -> Problem:
    """Return the problem as a planner would see it who ignores that days differ."""
    return replace(problem, day_spread=0.0, day_spread_today=0.0, day_shift=0.0)


PLANNERS = {"as built": lambda p: p, "halved spread": halved_spread, "no day factor": no_day_factor}


@dataclass
class Outcome:
    """Predicted probability of lateness and what happened, by promise."""

    predicted: list[float] = field(default_factory=list)
    late: list[bool] = field(default_factory=list)
    day: list[int] = field(default_factory=list)

    def reliability(self) -> Reliability:
        return reliability(self.predicted, self.late, self.day)


def study(
    days: int, seed: int, samples: int, planners: Sequence[str] = tuple(PLANNERS)
) -> dict[str, Outcome]:
    """Let days run to a moment, predict every open same-day promise, let the day end."""
    truth = Truth()
    fits = learn(seed, truth)
    outcomes = {name: Outcome() for name in planners}
    for day in range(days):
        rng, rnd = np.random.default_rng([seed, 2, day]), random.Random(f"{seed} {day}")
        moment = mid_day(rng, truth, fits, morning(rnd, fits), rnd.choice(MOMENTS))
        finish = run(moment.problem, moment.draw).finish
        for name in planners:
            problem = PLANNERS[name](moment.problem)
            report = foresee(problem, samples, day, rule=RULE)
            for j, job in enumerate(problem.jobs):
                if str(job.id).startswith("debond") and not all(s.done for s in job.steps):
                    outcomes[name].predicted.append(report["jobs"][j]["p_late"])
                    outcomes[name].late.append(bool(finish[j] > (job.due or 0.0)))
                    outcomes[name].day.append(day)
    return outcomes

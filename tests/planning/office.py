"""A simulated office whose true stage times the planner is not told.

True durations are gamma distributed around a stage's mean, times a factor common to
the day; prints and trims fail now and then. The planner sees records of past days
(some with forgotten marks) and the present state of the bench, nothing else.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

import numpy as np

from production.planning import Rule, parse_problem
from production.planning.dispatch import expected_times
from production.planning.entities import Problem
from production.planning.fits import DayFactor, Fits, Record, day_so_far, failure_rate, fit_stages
from production.planning.kernel.future import Draw, Times
from production.planning.kernel.shop import make_shop
from production.planning.policy import kernel_policy

OPEN = 540.0  # minutes of a working day
RULE = Rule("edd", {"print": 20.0, "wash": 5.0, "cure": 5.0})
# stage: mean minutes, coefficient of variation, attended, true failure rate
STAGES: dict[str, tuple[float, float, bool, float]] = {
    "prepare": (3.0, 0.30, True, 0.0),
    "print": (52.0, 0.05, False, 0.0),
    "wash": (11.0, 0.10, False, 0.0),
    "cure": (20.0, 0.06, False, 0.0),
    "block-out": (3.0, 0.35, True, 0.0),
    "form": (3.0, 0.20, True, 0.0),
    "trim": (6.0, 0.35, True, 0.03),
    "finish": (3.0, 0.25, True, 0.0),
}
ROUTE = tuple(STAGES)
BATCHES = ("print", "wash", "cure")
PEOPLE = ("prepare", "block-out", "form", "trim", "finish")
PRINT_FAILURE, REPAIR = 0.02, 15.0


@dataclass(frozen=True)
class Truth:
    """How the office really is."""

    day_spread: float = 0.14
    speed: float = 1.0  # all means times this

    def minutes(self, rng: np.random.Generator, stage: str) -> float:
        mean, cv, _, _ = STAGES[stage]
        return float(rng.gamma(cv**-2, mean * self.speed * cv**2))

    def day(self, rng: np.random.Generator) -> float:
        return float(np.exp(self.day_spread * rng.normal()))

    def history(self, rng: np.random.Generator, days: int, jobs: int = 15) -> list[Record]:
        """Return records of past days; one in fifty has a forgotten mark."""
        records = []
        for day in range(days):
            factor = self.day(rng)
            for _ in range(jobs):
                for stage in ROUTE:
                    together = int(rng.integers(1, 7)) if stage in BATCHES else 1
                    minutes = max(self.minutes(rng, stage) for _ in range(together)) * factor
                    if rng.random() < 0.02:
                        minutes = float(rng.choice([0.03, 400.0, 900.0]))
                    records.append(Record(stage, minutes, day=str(day), together=together))
        return records


def resources(printers: int = 3, days: int = 4) -> list[dict[str, Any]]:
    """Return the machines and people of the office, open for some days from now."""
    opens = [[d * 1440.0, d * 1440.0 + OPEN] for d in range(days)]
    shifts = [
        w
        for d in range(days)
        for w in ([d * 1440.0, d * 1440.0 + 240], [d * 1440.0 + 285, d * 1440.0 + OPEN])
    ]
    printer = {"kind": "print", "capacity": 5, "batch": True, "open": opens}
    found: list[dict[str, Any]] = [
        {"id": f"printer {n}", **printer, "failure": PRINT_FAILURE, "repair": REPAIR}
        for n in range(printers)
    ]
    found.append({"id": "wash", "kind": "wash", "capacity": 8, "batch": True, "open": opens})
    found.append({"id": "cure", "kind": "cure", "capacity": 6, "batch": True, "open": opens})
    found.append({"id": "former", "kind": "form", "open": opens})
    for stage in PEOPLE:
        if stage != "form":
            found.append({"id": f"place {stage}", "kind": stage, "capacity": 3, "open": opens})
    found += [{"id": f"person {n}", "kind": "person", "open": shifts} for n in range(2)]
    return found


def route(fits: Fits, family: str) -> list[dict[str, Any]]:
    """Return the steps of one arch with the times that the fits expect."""
    steps = []
    for stage in ROUTE:
        time = fits.time(stage)
        assert time is not None
        step: dict[str, Any] = {
            "kind": stage,
            "minutes": time.minutes,
            "spread": time.spread,
            "attended": STAGES[stage][2],
        }
        if stage == "print":
            step["family"] = family
        if stage in PEOPLE:
            step["needs"] = ["person"]
        if STAGES[stage][3]:
            step["failure"] = failure_rate(3, 100)
            step["rework"] = 1
        steps.append(step)
    return steps


def morning(
    rnd: random.Random, fits: Fits, *, debonds: int = 12, ahead: int = 30
) -> dict[str, Any]:
    """Return a day's PROBLEM at opening: debonds to come, aligners to make ahead."""
    jobs: list[dict[str, Any]] = []
    for n in range(debonds):
        release = rnd.uniform(0, 300)
        due = release + rnd.uniform(100, 300)
        for arch in range(rnd.choice([1, 2, 2])):
            jobs.append(
                {
                    "id": f"debond {n}.{arch}",
                    "group": f"debond {n}",
                    "release": release,
                    "due": due,
                    "steps": route(fits, "clear"),
                }
            )
    for n in range(ahead):
        jobs.append(
            {
                "id": f"ahead {n}",
                "due": rnd.choice([1, 2, 3]) * 1440.0 + OPEN,
                "steps": route(fits, rnd.choice(["clear", "grey"])),
            }
        )
    return {
        "resources": resources(),
        "jobs": jobs,
        "clock": 480.0,
        "day_spread": fits.day_spread,
        "risk_limit": 0.12,
    }


def true_draw(
    rng: np.random.Generator, truth: Truth, problem: Problem, *, failures: bool, factor: float
) -> Draw:
    """Return what really happens, four attempts deep."""
    stages = [step.kind for job in problem.jobs for step in job.steps]
    rows = 4 if failures else 1
    shape = (rows, len(stages))
    minutes = np.empty(shape)
    for stage in ROUTE:
        mean, cv, _, _ = STAGES[stage]
        mine = np.array([s == stage for s in stages])
        drawn = rng.gamma(cv**-2, mean * truth.speed * cv**2, (rows, int(mine.sum())))
        minutes[:, mine] = drawn
    later = [truth.day(rng) for _ in range(5)]
    return Draw(minutes, rng.random(shape), rng.random(shape), np.array([factor, *later]))


def run(problem: Problem, draw: Draw, rule: Rule = RULE) -> Times:
    """Return how a bench under the rule fares with these draws."""
    shop = make_shop(problem)
    return expected_times(shop, kernel_policy(problem, shop, rule), draw)


@dataclass(frozen=True)
class Moment:
    """A mid-day state: the problem as the planner sees it, and what really follows."""

    problem: Problem
    draw: Draw


def mid_day(
    rng: np.random.Generator, truth: Truth, fits: Fits, day: dict[str, Any], moment: float
) -> Moment:
    """Let a day run until a moment; return the state then and the true rest of the day."""
    problem = parse_problem(day)
    factor = truth.day(rng)
    draw = true_draw(rng, truth, problem, failures=False, factor=factor)
    times = run(problem, draw)
    shop = make_shop(problem)
    finished: list[Record] = []
    running: list[Record] = []
    known = np.zeros(shop.step_job.size, dtype=bool)
    members = np.bincount(times.run[times.run >= 0])
    seen_runs: set[int] = set()
    jobs = []
    for j, job in enumerate(day["jobs"]):
        steps = []
        for index, given in enumerate(job["steps"]):
            i = int(shop.job_first[j]) + index
            step = dict(given)
            if times.end[i] <= moment:
                step |= {"done": True, "ended": times.end[i] - moment}
                if times.run[i] not in seen_runs:
                    seen_runs.add(int(times.run[i]))
                    minutes = times.end[i] - times.start[i]
                    together = int(members[times.run[i]])
                    finished.append(Record(step["kind"], minutes, together=together))
            elif times.start[i] <= moment:
                step["started"] = times.start[i] - moment
                step["resource"] = day["resources"][int(times.resource[i])]["id"]
                known[i] = True
                if times.run[i] not in seen_runs:
                    seen_runs.add(int(times.run[i]))
                    together = int(members[times.run[i]])
                    running.append(Record(step["kind"], -step["started"], together=together))
            steps.append(step)
        jobs.append(
            {
                **job,
                "release": job["release"] - moment if "release" in job else 0.0,
                "due": job["due"] - moment,
                "steps": steps,
            }
        )
    shifted = [
        {**r, "open": [[a - moment, b - moment] for a, b in r["open"]]} for r in day["resources"]
    ]
    today: DayFactor = day_so_far(fits, finished, running)
    state = parse_problem(
        {
            **day,
            "jobs": jobs,
            "resources": shifted,
            "clock": day["clock"] + moment,
            "day_shift": today.shift,
            "day_spread_today": today.spread,
        }
    )
    rest = true_draw(rng, truth, state, failures=True, factor=factor)
    rest.minutes[0, known] = draw.minutes[0, known]
    return Moment(state, rest)


def learn(seed: int, truth: Truth, days: int = 80) -> Fits:
    """Return what the planner learns from a history."""
    return fit_stages(truth.history(np.random.default_rng([seed, 1]), days))

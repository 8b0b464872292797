"""Whole office days: promises quoted as patients come, kept or broken as it turns out.

The bench runs as the SimPy model; at each debond the planner sees the state of the
bench and quotes a time. A fixed buffer is judged on the same days with the same draws.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from production.planning import parse_problem, quote
from production.planning.entities import Problem
from production.planning.fits import Fits, Record, day_so_far
from production.planning.kernel.future import Draw
from production.planning.policy import Rule, among
from production.planning.promises.priorities import next_rule
from tests.planning.office import OPEN, RULE, Truth, morning, run, true_draw
from tests.planning.simpy_bench import Bench

DAY = 1440.0
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Promise:
    """A promise: when it was made, for when, and when the work was ready."""

    day: int
    made: float
    due: float
    ready: float

    @property
    def kept(self) -> bool:
        return self.ready <= self.due + 1e-9

    @property
    def lead(self) -> float:
        """Open minutes from making the promise to its due time."""
        return open_minutes(self.due) - open_minutes(self.made)


def open_minutes(t: float) -> float:
    """Return the open minutes before t."""
    return float(t // DAY * OPEN + min(t % DAY, OPEN))


def after_open_minutes(t: float, minutes: float) -> float:
    """Return the moment that lies so many open minutes after t."""
    total = open_minutes(t) + minutes
    days, rest = divmod(total, OPEN)
    return days * DAY + rest


@dataclass(frozen=True)
class OfficeDay:
    """A day as it will be: what comes, and what really happens."""

    number: int
    data: dict[str, Any]
    draw: Draw

    def patients(self) -> list[list[int]]:
        """Return the jobs of each debond, in order of arrival."""
        found: dict[str, list[int]] = {}
        for j, job in enumerate(self.data["jobs"]):
            if "group" in job:
                found.setdefault(job["group"], []).append(j)
        return sorted(found.values(), key=lambda jobs: self.data["jobs"][jobs[0]]["release"])


def office_day(seed: int, number: int, fits: Fits, truth: Truth) -> OfficeDay:
    """Draw a day: twelve debonds, thirty arches to make ahead."""
    rng, rnd = np.random.default_rng([seed, 3, number]), random.Random(f"day {seed} {number}")
    data = morning(rnd, fits)
    problem = parse_problem(data)
    draw = true_draw(rng, truth, problem, failures=True, factor=truth.day(rng))
    return OfficeDay(number, data, draw)


def quoted(day: OfficeDay, fits: Fits, samples: int, *, replanned: bool = False) -> list[Promise]:
    """Let the day run, quoting each patient a time at the debond.

    ``replanned``: the rule, and who goes before or after their turn, are chosen anew after
    each debond; else one rule stands all day.
    """
    problem = parse_problem(day.data)
    bench = Bench(
        replace(problem, jobs=tuple(replace(j, group=None) for j in problem.jobs)),
        RULE,
        {
            "minutes": day.draw.minutes.tolist(),
            "luck": day.draw.luck.tolist(),
            "run_luck": day.draw.run_luck.tolist(),
            "factor": day.draw.factor.tolist(),
        },
    )
    bench.begin()
    promised: dict[int, float] = {}
    made = []
    rule = RULE
    for jobs in day.patients():
        now = day.data["jobs"][jobs[0]]["release"]
        bench.env.run(until=now)
        problem = at_hand(state(bench, day, fits, promised, now), rule)
        answer = quote(
            problem,
            [fresh(day, j) for j in jobs],
            CONFIDENCE,
            samples=samples,
            seed=day.number,
            may_hold=True,
        )
        due = answer["earliest"]
        due = after_open_minutes(now, 2 * OPEN) if due is None else now + due
        for j in jobs:
            bench.release[j] = now + answer.get("hold_until", 0.0)
            bench.pending[j] = bench.release[j]
            promised[j] = due
            bench.groups["j", j] = due
        made.append((jobs, now, due))
        if replanned:
            rule = next_rule(at_hand(state(bench, day, fits, promised, now), rule))
            bench.rule = rule
    bench.env.run()
    return [
        Promise(day.number, now, due, max(bench.finish[j] for j in jobs)) for jobs, now, due in made
    ]


def at_hand(problem: Problem, rule: Rule) -> Problem:
    """Return the problem with the rule in force, for the jobs that are left."""
    names = {str(job.id) for job in problem.jobs}
    return replace(problem, policy=among(rule.as_json(), names))


def fresh(day: OfficeDay, j: int) -> dict[str, Any]:
    """Return a job as it is told to the planner at its own debond."""
    return {**day.data["jobs"][j], "release": 0, "due": None}


def state(bench: Bench, day: OfficeDay, fits: Fits, promised: dict[int, float], now: float) -> Any:
    """Return the planner's problem at a moment: what is on the bench and no more."""
    jobs = []
    for j, given in enumerate(day.data["jobs"]):
        known = "group" not in given or j in promised
        if not known or bench.current[j] >= len(given["steps"]):
            continue
        steps = []
        for index, step in enumerate(given["steps"]):
            told = dict(step)
            if index < bench.current[j]:
                told["done"] = True
            elif index == bench.current[j] and j in bench.running:
                begun, r = bench.running[j]
                told |= {"started": begun - now, "resource": day.data["resources"][r]["id"]}
            steps.append(told)
        due = promised.get(j, given["due"])
        release = max(bench.release[j] - now, 0.0)
        jobs.append({**given, "release": release, "due": due - now, "steps": steps})
    today = [Record(kind, b - a, together=n) for kind, a, b, n in bench.runs]
    running = {
        (bench.place[j, bench.current[j]], a): bench.current[j]
        for j, (a, _) in bench.running.items()
    }
    members: dict[tuple[int, float], int] = {}
    for j, (a, _) in bench.running.items():
        place = (bench.place[j, bench.current[j]], a)
        members[place] = members.get(place, 0) + 1
    kinds = [s["kind"] for s in day.data["jobs"][0]["steps"]]
    so_far = [
        Record(kinds[index], now - place[1], together=members[place])
        for place, index in running.items()
    ]
    factor = day_so_far(fits, today, so_far)
    shifted = [
        {**r, "open": [[a - now, b - now] for a, b in r["open"]]} for r in day.data["resources"]
    ]
    return parse_problem(
        {
            **day.data,
            "jobs": jobs,
            "resources": shifted,
            "clock": day.data["clock"] + now,
            "day_shift": factor.shift,
            "day_spread_today": factor.spread,
            "grid": 5,
        }
    )


def buffered(day: OfficeDay, buffer: float) -> list[Promise]:
    """Return the same day's promises, all set so many open minutes after the debond."""
    data = {**day.data, "jobs": [dict(job) for job in day.data["jobs"]]}
    for job in data["jobs"]:
        if "group" in job:
            job["due"] = after_open_minutes(job["release"], buffer)
    finish = run(parse_problem(data), day.draw).finish
    found = []
    for jobs in day.patients():
        job = data["jobs"][jobs[0]]
        ready = float(max(finish[j] for j in jobs))
        found.append(Promise(day.number, job["release"], job["due"], ready))
    return found

"""What the SimPy model of the bench is given, and where everything stands."""

from __future__ import annotations

import math
from typing import Any

import simpy

from production.planning.entities import Problem, Resource, Step
from production.planning.policy import Rule

EPS = 1e-9
NOTHING = object()


class Waiting:
    """A step in a queue, with what it needs to be compared and told the outcome."""

    def __init__(self, job: int, index: int, step: Step, joined: float, over: Any) -> None:
        self.job, self.index, self.step, self.joined, self.over = job, index, step, joined, over


class State:
    """What is given, and where everything stands; nothing happens here."""

    def __init__(self, problem: Problem, rule: Rule, draw: dict[str, Any]) -> None:
        self.problem, self.rule, self.draw = problem, rule, draw
        self.env = simpy.Environment()
        self.rows = len(draw["minutes"])
        self.offset = [0]
        for job in problem.jobs:
            self.offset.append(self.offset[-1] + len(job.steps))
        self.row = [0] * self.offset[-1]
        self.queues: dict[tuple[int, ...], list[Waiting]] = {}
        pools = [
            tuple(i for i, _ in problem.eligible(step)) for j in problem.jobs for step in j.steps
        ]
        self.pools = list(dict.fromkeys(pools))
        for pool in self.pools:
            self.queues[pool] = []
        self.used = [0.0] * len(problem.resources)
        self.usable_from = [-math.inf] * len(problem.resources)
        self.last_end = [-math.inf] * len(problem.resources)
        self.last_family: list[Any] = [NOTHING] * len(problem.resources)
        self.pending: dict[int, float] = {}  # job: when its present step joins
        self.called_at = -1.0
        self.wake_number = 0
        self.start: dict[tuple[int, int], float] = {}
        self.end: dict[tuple[int, int], float] = {}
        self.place: dict[tuple[int, int], int] = {}
        self.finish = [math.inf] * len(problem.jobs)
        self.release = [max(job.release, 0.0) for job in problem.jobs]
        self.current = [0] * len(problem.jobs)
        self.running: dict[int, tuple[float, int]] = {}  # job: (start, resource)
        self.runs: list[tuple[str, float, float, int]] = []  # kind, start, end, members
        self.groups: dict[Any, float] = {}
        for j, job in enumerate(problem.jobs):
            group = ("g", str(job.group)) if job.group is not None else ("j", j)
            due = math.inf if job.due is None else job.due
            self.groups[group] = min(self.groups.get(group, math.inf), due)

    # -- what is given ----------------------------------------------------------------
    def promise(self, j: int) -> float:
        job = self.problem.jobs[j]
        return self.groups[("g", str(job.group)) if job.group is not None else ("j", j)]

    def key(self, w: Waiting) -> float:
        if w.step.first:
            return -math.inf
        deferred = str(self.problem.jobs[w.job].id) in {str(name) for name in self.rule.defer}
        return self.plain_key(w) + (180.0 if deferred else 0.0)

    def plain_key(self, w: Waiting) -> float:
        job, now = self.problem.jobs[w.job], self.env.now
        left = math.fsum(s.minutes for s in job.steps[w.index :])
        name = self.rule.name
        if name == "edd":
            return self.promise(w.job)
        if name == "slack":
            return self.promise(w.job) - left
        if name == "spt":
            return w.step.minutes
        if name == "lpt":
            return -w.step.minutes
        if name == "most_work":
            return -left
        if name == "cr":
            return (self.promise(w.job) - now) / max(left, 1e-6)
        if name == "atc":
            steps = [s.minutes for j in self.problem.jobs for s in j.steps]
            scale = max(self.rule.look_ahead * sum(steps) / len(steps), 1e-6)
            urgency = max(self.promise(w.job) - now - left, 0.0) / scale
            return urgency + math.log(max(w.step.minutes, 1e-6) / max(job.weight, 1e-12))
        if name == "order":
            ranks = {str(x): i for i, x in enumerate(self.rule.order)}
            return ranks.get(str(job.id), math.inf)
        return 0.0

    def hastened(self, j: int) -> bool:
        return str(self.problem.jobs[j].id) in {str(name) for name in self.rule.hasten}

    def rank(self, w: Waiting) -> tuple[bool, float, float, int]:
        preferred = str(self.problem.jobs[w.job].id) in {str(name) for name in self.rule.prefer}
        later = not (w.step.first or preferred or self.hastened(w.job))
        return (later, round(self.key(w), 9), w.joined, w.job)

    def minutes(self, job: int, index: int, r: int) -> float:
        step = self.problem.jobs[job].steps[index]
        i = self.offset[job] + index
        ratio = 1.0
        for number, nominal in self.problem.eligible(step):
            if number == r and step.minutes > 0:
                ratio = nominal / step.minutes
        return self.draw["minutes"][self.row[i]][i] * ratio

    def factor(self) -> float:
        clock = self.problem.clock
        day = int((self.env.now + clock) // 1440 - clock // 1440)
        factors = self.draw["factor"]
        return factors[min(max(day, 0), len(factors) - 1)]

    def wait(self, w: Waiting) -> float:
        if self.hastened(w.job):
            return 0.0
        step, wait, share = w.step, self.rule.wait, self.rule.wait_share * w.step.minutes
        return share + float(wait.get(step.kind, 0.0) if isinstance(wait, dict) else wait)

    def lot(self, step: Step) -> tuple[str, str | None]:
        return (step.kind, step.family)

    # -- calendar ---------------------------------------------------------------------
    def windows(self, r: Resource) -> tuple[tuple[float, float], ...]:
        return ((-math.inf, math.inf),) if r.open is None else r.open

    def fits(self, r: Resource, minutes: float, attended: bool) -> bool:
        t = self.env.now
        if attended:
            inside = any(a <= t and t + minutes <= b + EPS for a, b in self.windows(r))
        else:
            inside = any(a <= t < b for a, b in self.windows(r))
        clear = all(not (a <= t < b) and not (t < a < t + minutes - EPS) for a, b in r.down)
        return inside and clear

    # -- what a run takes -------------------------------------------------------------
    def hands(self, step: Step) -> float:
        if step.hands is not None:
            return step.hands
        return math.inf if step.attended else 0.0

    def taking(self, r: int, step: Step) -> float:
        resource = self.problem.resources[r]
        return resource.capacity if resource.batch else min(step.size, resource.capacity)

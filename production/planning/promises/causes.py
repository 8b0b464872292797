"""Why a job is ready when it is: where it waits on the expected day, and for what."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from production.planning.dispatch import expected_times
from production.planning.entities import Label, Problem, Step
from production.planning.errors import ProblemError
from production.planning.kernel.future import Times
from production.planning.kernel.shop import DONE, WAITING, Shop, make_shop
from production.planning.policy import Policy, Rule, kernel_policy, standing_rule

__all__ = ["Cause", "causes"]

WORTH_TELLING = 1.0  # minutes

#: What a person at the bench calls the kinds of machines; others go by their own name.
NOUNS = {
    "printer": "printer",
    "wash": "wash unit",
    "cure": "curing unit",
    "forming": "forming machine",
}


class Cause(NamedTuple):
    """A wait before a step on the expected day, or what takes the time where nothing waits.

    ``waits_for``: ``machine`` (busy with others), ``opening`` (closed or out of use),
    ``fuller batch``, ``person`` (nobody free who is needed), or ``work`` (the job's own
    work; ``index`` is its next step).
    """

    index: int  # type: ignore[assignment]
    kind: str
    minutes: float
    waits_for: str
    text: str


def causes(problem: Problem, job: Label, *, rule: Rule | None = None) -> list[Cause]:
    """Return the waits of a job on the expected day (median durations), longest first.

    A job that waits nowhere is told by the work that it still takes; none of it left, or
    no open time in which it would end, gives nothing.

    Parameters
    ----------
    problem : Problem
    job : str or int
        Id of the job.
    rule : Rule, optional
        The dispatch rule; default: the problem's own, else the standing one.

    Raises
    ------
    ProblemError
        When there is no such job.
    """
    number = position(problem, job)
    shop = make_shop(problem)
    chosen = standing_rule(problem) if rule is None else rule
    policy = kernel_policy(problem, shop, chosen)
    times = expected_times(shop, policy)
    found = _waits(problem, shop, policy, times, number)
    return found or _own_work(problem, shop, times, number)


def _waits(problem: Problem, shop: Shop, policy: Policy, times: Times, number: int) -> list[Cause]:
    found = []
    for index, step in enumerate(problem.jobs[number].steps):
        i = int(shop.job_first[number]) + index
        if shop.state[i] != WAITING or not math.isfinite(times.start[i]):
            continue
        wait = times.start[i] - times.ready[i]
        if wait >= WORTH_TELLING:
            reason = _reason(problem, shop, times, i, step, float(policy.wait[i]))
            text = f"waits {wait:.0f} min {_words(reason, step)}"
            found.append(Cause(index, step.kind, float(wait), reason, text))
    return sorted(found, key=lambda cause: -cause.minutes)


def _own_work(problem: Problem, shop: Shop, times: Times, number: int) -> list[Cause]:
    """Say how long the rest takes where nothing waits."""
    finish = float(times.finish[number])
    if not math.isfinite(finish) or finish < WORTH_TELLING:
        return []
    first = int(shop.job_first[number])
    left = [i for i, _ in enumerate(problem.jobs[number].steps) if shop.state[first + i] != DONE]
    kind = problem.jobs[number].steps[left[0]].kind
    text = f"waits nowhere: the work left takes {finish:.0f} min"
    return [Cause(left[0], kind, finish, "work", text)]


def position(problem: Problem, job: Label) -> int:
    """Return the number of a job in the problem."""
    for number, known in enumerate(problem.jobs):
        if str(known.id) == str(job):
            return number
    raise ProblemError(f"job {job!r} is not on the bench; name one of the jobs listed")


def _reason(problem: Problem, shop: Shop, times: Times, i: int, step: Step, patience: float) -> str:
    """Return what takes the largest part of the wait before step i."""
    begin, end = float(times.ready[i]), float(times.start[i])
    pool = [r for r, _ in problem.eligible(step)]
    moments = np.linspace(begin, end, 201)[:-1]
    closed = np.ones(moments.size, dtype=bool)
    busy = np.ones(moments.size, dtype=bool)
    for r in pool:
        resource = problem.resources[r]
        shut = np.ones(moments.size, dtype=bool)
        for start, stop in ((-math.inf, math.inf),) if resource.open is None else resource.open:
            shut &= ~((moments >= start) & (moments < stop))
        for start, stop in resource.down:
            shut |= (moments >= start) & (moments < stop)
        runs = np.flatnonzero((times.resource == r) & np.isfinite(times.end))
        seen: dict[int, int] = {int(times.run[k]): int(k) for k in runs}
        used = np.zeros(moments.size)
        for k in seen.values():
            inside = (moments >= times.start[k]) & (moments < times.end[k])
            used += inside * (resource.capacity if resource.batch else shop.size[k])
        full = used > resource.capacity - min(step.size, resource.capacity) + 1e-9
        closed &= shut
        busy &= full | shut
    shares = {
        "opening": float(closed.mean()),
        "machine": float((busy & ~closed).mean()),
        "left": float((~busy & ~closed).mean()),
    }
    largest = max(shares, key=lambda name: shares[name])
    if largest != "left":
        return largest
    batch = any(problem.resources[r].batch for r in pool)
    return "fuller batch" if batch and patience > 0 else "person" if step.needs else "opening"


def _words(reason: str, step: Step) -> str:
    if reason == "machine":
        return f"for the {_noun(step)}, busy with other work"
    if reason == "person":
        return f"for a free {step.needs[0]} ({step.kind})"
    if reason == "fuller batch":
        return f"for a fuller load ({step.kind})"
    return f"until a {_noun(step)} is available again"


def _noun(step: Step) -> str:
    return NOUNS.get(step.kind, step.kind)

"""What can still be done for a promise at risk, found by trying it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from production.planning.entities import Job, Label, Problem, Resource
from production.planning.kernel.shop import make_shop
from production.planning.policy import Rule, kernel_policy, standing_rule
from production.planning.promises.causes import causes, position
from production.planning.promises.foresight import lateness
from production.planning.sampling import run_futures
from production.planning.score import handed_over

__all__ = ["rescue"]

SAMPLES = 500
# Pairs are many and a plan waits for them: a look at a few futures says which deserve all.
SCREENED, CONFIRMED = 60, 2
OVERTIME = 60.0  # minutes
DAY = 1440.0
LEAST_GAIN = 0.005
LEFT_AT_MOST = 0.9  # of the risk: “kept with 69 %” instead of 68 % is no advice


def rescue(
    problem: Problem,
    job: Label,
    *,
    samples: int = SAMPLES,
    seed: int = 0,
    rule: Rule | None = None,
) -> dict[str, Any]:
    """Try what may help a promise at risk, and say what each does to all promises.

    Parameters
    ----------
    problem : Problem
    job : str or int
        Id of the job at risk.
    samples, seed : int
        Futures simulated for each try; all tries meet the same ones.
    rule : Rule, optional
        The dispatch rule; default: the problem's own, else the standing one.

    Returns
    -------
    dict
        ``job``, ``p_late`` (of its hand-over), ``causes`` (see ``causes.py``), and
        ``rescues``, best first: {"what", "text", "p_late_after", "past_limit": ids of
        promises pushed past the risk limit, "broken_before", "broken_after": expected
        number of broken promises}. Only what helps is listed; what pushes another
        promise past the limit comes last. Where no single thing brings the promise
        within the limit, two at a time are tried as well.

    Raises
    ------
    ProblemError
        When there is no such job.
    """
    number = position(problem, job)
    chosen = standing_rule(problem) if rule is None else rule
    before = _late(problem, problem, chosen, samples, seed)
    limit = problem.risk_limit
    found: list[dict[str, Any]] = []

    def attempt(tried: Sequence[Try], least: float) -> None:
        changed = _changed(problem, tried)
        if changed is None:
            return
        after = _late(problem, changed, chosen, samples, seed)
        if after[number] > least:
            return
        past = np.flatnonzero((before <= limit) & (after > limit))
        found.append(
            {
                "what": ", ".join(one.what for one in tried),
                "text": " and ".join(one.text for one in tried),
                "p_late_after": float(after[number]),
                "past_limit": [problem.jobs[j].id for j in past],
                "broken_before": float(before.sum()),
                "broken_after": float(after.sum()),
            }
        )

    singles = list(_tries(problem, number))
    for one in singles:
        attempt([one], _enough(before[number]))
    found.sort(key=_worth)
    if not found or _worth(found[0]) > (0, limit):
        # One thing alone does not bring it within the limit: two may.
        best = found[0]["p_late_after"] if found else before[number]
        promising: list[tuple[float, int, tuple[Try, Try]]] = []
        for pair in combinations(singles, 2):
            changed = None if all(one.people for one in pair) else _changed(problem, pair)
            if changed is not None:
                few = _late(problem, changed, chosen, min(samples, SCREENED), seed)
                promising.append((float(few[number]), len(promising), pair))
        for _, _, pair in sorted(promising)[:CONFIRMED]:
            attempt(pair, _enough(best))
        found.sort(key=_worth)
    return {
        "job": problem.jobs[number].id,
        "p_late": float(before[number]),
        "causes": [cause._asdict() for cause in causes(problem, job, rule=chosen)],
        "rescues": found,
    }


class Try(NamedTuple):
    """Something that may help: its name, words for a person, and what it does to a bench."""

    what: str
    text: str
    change: Callable[[Problem], Problem | None]
    people: bool = False


def _changed(problem: Problem, tried: Sequence[Try]) -> Problem | None:
    """Return the bench with all of these done, None where one of them changes nothing."""
    changed: Problem | None = problem
    for one in tried:
        changed = one.change(changed) if changed is not None else None
    return changed


def _enough(risk: float) -> float:
    """The risk that must be reached for a gain that anybody would notice."""
    return min(risk - LEAST_GAIN, LEFT_AT_MOST * risk)


def _worth(item: dict[str, Any]) -> tuple[int, float]:
    """Sort what pushes no other promise past the limit, and helps most, to the front."""
    return len(item["past_limit"]), item["p_late_after"]


def _late(told: Problem, changed: Problem, rule: Rule, samples: int, seed: int) -> Any:
    """Return p_late of every job's hand-over under a changed bench, by what was promised."""
    shop = make_shop(changed)
    finish = run_futures(changed, shop, kernel_policy(changed, shop, rule), samples, seed)
    return lateness(handed_over(shop, finish), make_shop(told).promise)


def _tries(problem: Problem, number: int) -> Iterator[Try]:
    """Yield what could be tried."""
    mine = _together(problem, number)
    yield Try("first in line", "take it first everywhere", partial(_first_in_line, mine=mine))
    yield Try(
        "own plate",
        "give it a plate of its own, as soon as it is ready",
        partial(_own_batch, mine=mine),
    )
    yield Try(
        "another machine", "let it run on any machine of its kind", partial(_any_machine, mine=mine)
    )
    for person in _people(problem):
        yield Try(
            f"overtime {person}",
            f"{person} stays {OVERTIME:.0f} min longer today",
            partial(_overtime, person=person),
            people=True,
        )
    yield Try(
        "postpone make-ahead",
        "leave what is not due today until tomorrow",
        partial(_postponed, mine=mine),
    )


def _together(problem: Problem, number: int) -> list[int]:
    group = problem.jobs[number].group
    if group is None:
        return [number]
    return [j for j, job in enumerate(problem.jobs) if str(job.group) == str(group)]


def _with_jobs(problem: Problem, changed: dict[int, Job]) -> Problem:
    jobs = tuple(changed.get(j, job) for j, job in enumerate(problem.jobs))
    return replace(problem, jobs=jobs)


def _first_in_line(problem: Problem, mine: list[int]) -> Problem:
    return _with_jobs(problem, {j: replace(problem.jobs[j], due=-DAY) for j in mine})


def _own_batch(problem: Problem, mine: list[int]) -> Problem | None:
    """Make the jobs' next batch step a family of its own, so that it waits for nobody."""
    batch_kinds = {r.kind for r in problem.resources if r.batch}
    changed = {}
    for j in mine:
        job = problem.jobs[j]
        steps = list(job.steps)
        for index, step in enumerate(steps):
            if step.open and step.kind in batch_kinds:
                family = f"{step.family or ''} own plate {problem.jobs[mine[0]].id}"
                steps[index] = replace(step, family=family)
                changed[j] = replace(job, steps=tuple(steps))
                break
    return _with_jobs(problem, changed) if changed else None


def _any_machine(problem: Problem, mine: list[int]) -> Problem | None:
    """Free the steps that are pinned to one machine although there are others."""
    changed = {}
    for j in mine:
        job = problem.jobs[j]
        steps = tuple(
            replace(s, resource=None)
            if s.open and s.resource is not None and not s.alternatives
            else s
            for s in job.steps
        )
        if steps != job.steps:
            changed[j] = replace(job, steps=steps)
    return _with_jobs(problem, changed) if changed else None


def _people(problem: Problem) -> list[Label]:
    needed = {need for job in problem.jobs for step in job.steps for need in step.needs}
    return [
        r.id
        for r in problem.resources
        if r.open is not None and (r.kind in needed or needed & set(r.skills))
    ]


def _overtime(problem: Problem, person: Label) -> Problem | None:
    """Let one person, and the machines, stay open longer at the end of this day."""
    kinds = {need for job in problem.jobs for step in job.steps for need in step.needs}

    def stays(resource: Resource) -> bool:
        helps = resource.kind in kinds or bool(kinds & set(resource.skills))
        return str(resource.id) == str(person) or not helps

    midnight = DAY - problem.clock % DAY
    longer = []
    for resource in problem.resources:
        today = [w for w in resource.open or () if 0 < w[1] <= midnight]
        if not today or not stays(resource):
            longer.append(resource)
            continue
        last = max(today, key=lambda w: w[1])
        windows = tuple(
            (a, b + OVERTIME) if (a, b) == last else (a, b) for a, b in resource.open or ()
        )
        longer.append(replace(resource, open=windows))
    changed = replace(problem, resources=tuple(longer))
    same = next(r for r in changed.resources if str(r.id) == str(person)) in problem.resources
    return None if same else changed


def _postponed(problem: Problem, mine: list[int]) -> Problem | None:
    """Leave jobs that are not due before midnight, and have not begun a step, for later."""
    midnight = DAY - problem.clock % DAY
    changed = {}
    for j, job in enumerate(problem.jobs):
        running = any(s.started is not None and not s.done for s in job.steps)
        due = math.inf if job.due is None else job.due
        if j not in mine and due > midnight and not running and job.release < midnight:
            changed[j] = replace(job, release=midnight)
    return _with_jobs(problem, changed) if changed else None

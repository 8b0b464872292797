"""A plan at once: the best of several dispatch rules and waits for fuller batches."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
from numba import njit

from production.planning.entities import Problem
from production.planning.kernel.future import Draw, Floats, Policy, Times
from production.planning.kernel.shop import DONE, Shop, make_shop
from production.planning.kernel.simulation import simulate
from production.planning.policy import STANDING, Rule, kernel_policy, named_policy
from production.planning.reasons import no_room
from production.planning.sampling import run_futures
from production.planning.score import score

__all__ = ["as_plan", "choose_rule", "dispatch_plan", "expected_times"]

WAITS = (0.0, 10.0, 25.0, 60.0)
TRIALS = {
    "promises": ("edd", "slack", "spt", "fifo"),
    "weighted_tardiness": ("atc", "edd", "slack", "wspt", "cr", "spt", "fifo"),
    "makespan": ("most_work", "lpt", "spt", "fifo"),
}
LOOK_AHEADS = (0.5, 1.5, 3.0)
LEFT_OUT = -1e18  # the end of what is left out: its group does not wait for it
PUT_BACK = 20  # jobs left out that get another chance: each costs two more runs
ROUNDS = ((16, 6), (4, 24))  # rules that are left, futures in which they are compared


def expected_times(shop: Shop, policy: Policy, draw: Draw | None = None) -> Times:
    """Run the bench once on the median durations, with no failures.

    Parameters
    ----------
    shop : Shop
    policy : Policy
    draw : Draw, optional
        Other durations.

    Returns
    -------
    Times
        In Python arrays; inf where something never happens.
    """
    if draw is None:
        ones = np.ones((1, shop.step_job.size))
        draw = Draw(shop.minutes[None, :].copy(), ones, ones, np.ones(1))
    return Times(*simulate(shop, policy, draw))


def candidates(objective: str) -> list[Rule]:
    """Return the rules tried for an objective, in a fixed order: the standing one first."""
    found = [STANDING[objective]]
    for name in TRIALS[objective]:
        for look_ahead in LOOK_AHEADS if name == "atc" else LOOK_AHEADS[:1]:
            found += [Rule(name, wait, look_ahead) for wait in WAITS]
    return found


def choose_rule(problem: Problem, shop: Shop) -> Rule:
    """Return the rule that the problem names, else the best of the candidates.

    The best by the objective on median durations; where durations vary and promises
    count, by its means over futures, more of them for the better rules. Ties go to the
    earlier candidate. Repeatable: no clock, a fixed seed.
    """
    named = named_policy(problem)
    if named is not None:
        return named
    batches = any(resource.batch for resource in problem.resources)
    rules = [r for r in candidates(problem.objective) if batches or r.wait == 0.0]
    policies = [kernel_policy(problem, shop, rule) for rule in rules]
    objective = problem.objective
    if on_medians(problem, shop):
        finishes = by_rule(
            shop,
            np.array([p.moving for p in policies]),
            np.array([p.look_ahead for p in policies]),
            np.stack([p.key for p in policies]),
            np.stack([p.wait for p in policies]),
        )
        return rules[min((score(shop, f).order(objective), n) for n, f in enumerate(finishes))[1]]
    best = list(range(len(rules)))
    seen = {n: np.empty((0, len(problem.jobs))) for n in best}
    for left, futures in ROUNDS:
        best = best[:left]
        for n in best:
            known = len(seen[n])
            more = run_futures(problem, shop, policies[n], futures - known, seed=1, first=known)
            seen[n] = np.concatenate([seen[n], more])
        best.sort(key=lambda n: (_worth(shop, seen[n], objective), n))
    return rules[best[0]]


def _worth(shop: Shop, finishes: Floats, objective: str) -> tuple[float, ...]:
    """Return what counts over futures: broken promises before work that finds no open time.

    That may befall in one future of many, where the next rule breaks far more promises.
    """
    mean = score(shop, finishes)
    return (mean.late_jobs, *mean.order(objective))


def on_medians(problem: Problem, shop: Shop) -> bool:
    """Whether a rule is chosen by its run on median durations alone."""
    varied = (shop.spread > 0).any() or problem.day_spread > 0 or (shop.failure > 0).any()
    return bool(problem.objective != "promises" or not varied)


@njit(cache=True, nogil=True)
def by_rule(shop, moving, look_ahead, key, wait):
    """Return the finishes (K, J) on median durations under each of K policies."""
    finish = np.empty((moving.size, shop.release.size))
    steps = shop.step_job.size
    minutes = np.empty((1, steps))
    minutes[0, :] = shop.minutes
    ones = np.ones((1, steps))
    draw = Draw(minutes, ones, ones, np.ones(1), np.empty(0, np.uint64))
    for k in range(moving.size):
        policy = Policy(moving[k], look_ahead[k], key[k], wait[k], shop.not_before)
        finish[k, :] = simulate(shop, policy, draw).finish
    return finish


def dispatch_plan(problem: Problem, rule: Rule | None = None) -> dict[str, Any]:
    """Return a feasible plan at once.

    Parameters
    ----------
    problem : Problem
    rule : Rule, optional
        The dispatch rule; default: the problem's own, else the best of several.

    Returns
    -------
    dict
        PLAN of the outer contract, with ``policy`` (the rule used) and ``infeasible``
        ({"job", "reason", "cause"} of those that cannot be finished; left out) besides.
    """
    began = time.perf_counter()
    shop = make_shop(problem)
    chosen = choose_rule(problem, shop) if rule is None else rule
    policy = kernel_policy(problem, shop, chosen)
    release = shop.release
    times = expected_times(shop, policy)
    while (stuck := np.isinf(times.finish) & np.isfinite(shop.release)).any():
        # What cannot be finished takes no place from what can.
        shop = shop._replace(release=np.where(stuck, math.inf, shop.release))
        times = expected_times(shop, policy)
    if np.isinf(times.finish).any():
        shop, times = _put_back(problem, shop, policy, times, release)
    plan = as_plan(problem, shop, times)
    plan["policy"] = chosen.as_json()
    plan["seconds"] = time.perf_counter() - began
    return plan


def _put_back(
    problem: Problem, shop: Shop, policy: Policy, times: Times, release: Floats
) -> tuple[Shop, Times]:
    """Take back what was left out where it fits in beside the rest, or at least after it.

    Several that stand in each other's way are left out together: without the others, one
    may have room. ``release``: by job, before any was left out.
    """
    never = problem.impossible()
    waiting = [int(j) for j in np.flatnonzero(np.isinf(times.finish)) if int(j) not in never]
    for j in sorted(waiting, key=lambda j: (shop.due[j], j))[:PUT_BACK]:
        rest = np.isfinite(times.finish)
        over = float(times.finish[rest].max(initial=0.0))
        for moment in (release[j], max(release[j], over)):
            again = shop.release.copy()
            again[j] = moment
            tried = shop._replace(release=again)
            run = expected_times(tried, policy)
            if np.isfinite(run.finish[rest]).all() and np.isfinite(run.finish[j]):
                shop, times = tried, run
                break
    return shop, times


def as_plan(problem: Problem, shop: Shop, times: Times) -> dict[str, Any]:
    """Return times as a PLAN of the outer contract (without ``seconds``).

    Steps that are done are left out, started ones are in it.
    """
    steps = []
    for j, job in enumerate(problem.jobs):
        if not math.isfinite(times.finish[j]):
            continue
        first = int(shop.job_first[j])
        for index in range(len(job.steps)):
            i = first + index
            if shop.state[i] == DONE:
                continue
            resource = problem.resources[int(times.resource[i])]
            steps.append(
                {
                    "job": job.id,
                    "index": index,
                    "resource": resource.id,
                    "start": float(times.start[i]),
                    "end": float(times.end[i]),
                    "batch": int(times.run[i]) if resource.batch else None,
                }
            )
    ends = np.isfinite(times.finish)
    worth = score(
        shop._replace(due=np.where(ends, shop.due, math.inf)),
        np.where(ends, times.finish, LEFT_OUT),
    )
    reasons = {} if ends.all() else problem.impossible()
    return {
        "steps": steps,
        "objective": {
            "value": worth.value(problem.objective),
            "late_jobs": int(worth.late_jobs),
            "weighted_tardiness": worth.weighted_tardiness,
            "makespan": worth.makespan,
        },
        "lower_bound": None,
        "proved_optimal": False,
        "infeasible": [
            {"job": job.id, **reasons.get(j, no_room(job.id)).as_json()}
            for j, job in enumerate(problem.jobs)
            if not math.isfinite(times.finish[j])
        ],
    }

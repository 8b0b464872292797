"""How likely each promise is kept: many futures of the bench's own dispatch rule."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np

from production.planning.dispatch import choose_rule
from production.planning.entities import Problem
from production.planning.errors import ProblemError
from production.planning.future import Floats
from production.planning.policy import Rule, kernel_policy
from production.planning.sampling import run_futures
from production.planning.score import LATE, handed_over
from production.planning.shop import Shop, make_shop

__all__ = ["foresee", "lateness", "quantile"]

LEVELS = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
SAMPLES = 2000
MOST_SAMPLES = 1_000_000


def foresee(
    problem: Problem, samples: int = SAMPLES, seed: int = 0, *, rule: Rule | None = None
) -> dict[str, Any]:
    """Simulate the dispatch rule forward from now and say how likely each promise is kept.

    Parameters
    ----------
    problem : Problem
    samples : int
        Number of futures; the standard error of a probability p is
        sqrt(p (1 - p) / samples).
    seed : int
        The same problem and seed give the same numbers.
    rule : Rule, optional
        The dispatch rule; default: the problem's own, else the best of several.

    Returns
    -------
    dict
        FORESIGHT of the outer contract, with ``policy`` besides. A job's ``p_late`` is
        about its own finish, a group's about the last finish of the group and its
        earliest due time. Without a due time ``p_late`` is 0. A finish that lies
        beyond all open time is null.

    Raises
    ------
    ProblemError
        When ``samples`` is out of range.
    """
    began = time.perf_counter()
    if not 1 <= samples <= MOST_SAMPLES:
        raise ProblemError(f"samples is {samples}; give a number from 1 to {MOST_SAMPLES}")
    shop = make_shop(problem)
    chosen = choose_rule(problem, shop) if rule is None else rule
    finish = run_futures(problem, shop, kernel_policy(problem, shop, chosen), samples, seed)
    late = lateness(finish, shop.due)
    report = {
        "jobs": [
            {"id": job.id, "p_late": float(late[j]), "finish": _quantiles(finish[:, j])}
            for j, job in enumerate(problem.jobs)
        ],
        "groups": _groups(problem, shop, finish),
        "samples": samples,
        "policy": chosen.as_json(),
    }
    report["seconds"] = time.perf_counter() - began
    return report


def lateness(finish: Floats, due: Floats) -> Floats:
    """Return the share of futures (S, J) in which each job ends after its due time."""
    promised = np.isfinite(due)
    late: Floats = np.where(promised, (finish > due + LATE).mean(axis=0), 0.0)
    return late


def quantile(values: Floats, level: float) -> float:
    """Return the smallest value that at least this share of the values do not exceed."""
    place = min(max(math.ceil(level * values.size - 1e-9) - 1, 0), values.size - 1)
    return float(np.partition(values, place)[place])


def _quantiles(values: Floats) -> dict[str, float | None]:
    found = {name: quantile(values, level) for name, level in LEVELS.items()}
    return {name: value if math.isfinite(value) else None for name, value in found.items()}


def _groups(problem: Problem, shop: Shop, finish: Floats) -> list[dict[str, Any]]:
    members: dict[str, list[int]] = {}
    for j, job in enumerate(problem.jobs):
        if job.group is not None:
            members.setdefault(str(job.group), []).append(j)
    if not members:
        return []
    over = handed_over(shop, finish)
    late = lateness(over, shop.promise)
    return [
        {
            "id": problem.jobs[jobs[0]].group,
            "p_late": float(late[jobs[0]]),
            "finish": _quantiles(over[:, jobs[0]]),
        }
        for jobs in members.values()
    ]

"""How likely each promise is kept: many futures of the bench's own dispatch rule."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np

from production.planning.entities import Problem
from production.planning.errors import ProblemError
from production.planning.kernel.future import Floats
from production.planning.kernel.shop import Shop, make_shop
from production.planning.policy import Rule, kernel_policy, standing_rule
from production.planning.reasons import no_room
from production.planning.sampling import run_futures
from production.planning.score import LATE, handed_over

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
        The dispatch rule; default: the problem's own, else the standing one.

    Returns
    -------
    dict
        FORESIGHT of the outer contract, with ``policy`` besides and ``infeasible``, a list of
        ``{"job", "reason", "cause"}`` of what is ready in no future. A job's ``p_late`` is
        about its own finish, a group's about the last finish of the group and its earliest due
        time.
        Without a due time ``p_late`` is 0. A finish that lies beyond all open time is null.

    Raises
    ------
    ProblemError
        When ``samples`` is out of range.
    """
    began = time.perf_counter()
    if not 1 <= samples <= MOST_SAMPLES:
        raise ProblemError(f"samples is {samples}; give a number from 1 to {MOST_SAMPLES}")
    shop = make_shop(problem)
    chosen = standing_rule(problem) if rule is None else rule
    finish = run_futures(problem, shop, kernel_policy(problem, shop, chosen), samples, seed)
    late = lateness(finish, shop.due)
    report = {
        "jobs": [
            {"id": job.id, "p_late": float(p_late), "finish": spread}
            for job, p_late, spread in zip(problem.jobs, late, _quantiles(finish), strict=True)
        ],
        "groups": _groups(problem, shop, finish),
        "infeasible": _never_ready(problem, finish),
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
    place = _place(level, values.size)
    return float(np.partition(values, place)[place])


def _place(level: float, count: int) -> int:
    return min(max(math.ceil(level * count - 1e-9) - 1, 0), count - 1)


def _quantiles(finish: Floats) -> list[dict[str, float | None]]:
    """Return the levels of every column of finish (S, J)."""
    places = [_place(level, len(finish)) for level in LEVELS.values()]
    ordered = np.partition(np.ascontiguousarray(finish.T), places, axis=1)[:, places].tolist()
    return [
        {
            name: value if math.isfinite(value) else None
            for name, value in zip(LEVELS, row, strict=True)
        }
        for row in ordered
    ]


def _never_ready(problem: Problem, finish: Floats) -> list[dict[str, Any]]:
    never = np.flatnonzero(np.isinf(finish).all(axis=0)).tolist()
    known = problem.impossible() if never else {}
    names = {j: problem.jobs[j].id for j in never}
    return [{"job": name, **known.get(j, no_room(name)).as_json()} for j, name in names.items()]


def _groups(problem: Problem, shop: Shop, finish: Floats) -> list[dict[str, Any]]:
    members: dict[str, int] = {}
    for j, job in enumerate(problem.jobs):
        if job.group is not None:
            members.setdefault(str(job.group), j)
    if not members:
        return []
    firsts = list(members.values())
    over = handed_over(shop, finish)
    late = lateness(over, shop.promise)
    return [
        {"id": problem.jobs[j].group, "p_late": float(late[j]), "finish": spread}
        for j, spread in zip(firsts, _quantiles(over[:, firsts]), strict=True)
    ]

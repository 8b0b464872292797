"""What is made ahead and stands on the bench, kept back where today's promises need the room.

``makeahead.fill_slack`` says what may be begun besides the open work. Once ordered, a piece
made ahead takes a free machine or hand whenever nothing else waits there, and what is
promised for today then waits behind it: no order of the queues helps against that, only
leaving it alone for a while.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from production.planning.entities import Label, Problem, Step
from production.planning.kernel.shop import make_shop
from production.planning.makeahead import ADDED_RISK, DAY, fill_slack
from production.planning.policy import Rule, among, kernel_policy, standing_rule
from production.planning.promises.foresight import lateness
from production.planning.sampling import run_futures
from production.planning.score import handed_over

__all__ = ["KeptBack", "kept_back"]

SAMPLES = 2000
LOST = 0.9  # risk from which what is made ahead is too late whatever is done


@dataclass(frozen=True)
class KeptBack:
    """Jobs that are left alone until a time (minutes from now)."""

    jobs: tuple[Label, ...] = ()
    until: float = 0.0


def kept_back(
    problem: Problem,
    *,
    rule: Rule | None = None,
    limit: float = ADDED_RISK,
    samples: int = SAMPLES,
    seed: int = 0,
    today: float = DAY,
) -> KeptBack:
    """Return which jobs of lesser weight are best left alone until today's promises are over.

    Parameters
    ----------
    problem : Problem
        The bench. Jobs whose weight is below the greatest are made ahead; those due within
        ``today`` minutes that can still be kept count as today's promises themselves. One of
        which a step runs, or was set by hand (``first``, ``resource``, ``not_before``), goes
        on.
    rule : Rule, optional
    limit : float
        How much the jobs not kept back may raise the probability of missing any promise due
        within ``today`` minutes, over the bench without them (paired futures).
    samples, seed : int
    today : float

    Returns
    -------
    KeptBack
        As many as fit go on, the earliest due first; the others wait until the last of
        today's promises is due.
    """
    chosen = standing_rule(problem) if rule is None else rule
    shop = make_shop(problem)
    heaviest = max((job.weight for job in problem.jobs), default=0.0)
    waiting = [
        j
        for j, job in enumerate(problem.jobs)
        if job.weight < heaviest and not any(map(_goes_on, job.steps))
    ]
    soon = {j for j in waiting if shop.due[j] <= today}
    if soon:
        policy = kernel_policy(problem, shop, chosen)
        over = handed_over(shop, run_futures(problem, shop, policy, samples, seed))
        lost = lateness(over, shop.due) >= LOST
        waiting = [j for j in waiting if j not in soon or lost[j]]
    ahead = {str(problem.jobs[j].id) for j in waiting}
    staying = tuple(job for job in problem.jobs if str(job.id) not in ahead)
    bench = replace(
        problem, jobs=staying, policy=among(problem.policy, {str(job.id) for job in staying})
    )
    dues = make_shop(bench).due
    urgent = dues[(dues > 0.0) & (dues <= today)]
    if not waiting or not urgent.size:
        return KeptBack()
    waiting.sort(key=lambda j: (shop.due[j], j))
    tried = [problem.jobs[j] for j in waiting]
    answer = fill_slack(
        bench, tried, limit=limit, samples=samples, seed=seed, rule=chosen, today=today
    )
    left = tried[len(answer["take"]) :]
    return KeptBack(tuple(job.id for job in left), float(np.max(urgent)) if left else 0.0)


def _goes_on(step: Step) -> bool:
    runs = step.started is not None
    by_hand = step.first or step.resource is not None or step.not_before > 0.0
    return not step.done and (runs or by_hand)

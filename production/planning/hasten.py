"""Which jobs are taken before their turn, so that fewer promises are broken.

No rule suits every promise: one that waits for a fuller plate may be broken for it, and
would be kept if its job went first and waited for nobody. What helps is found by trying it
in futures that all tries share.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from production.planning.entities import Problem
from production.planning.foresight import lateness
from production.planning.future import Floats
from production.planning.policy import Rule, kernel_policy
from production.planning.risk import allowed_risk
from production.planning.sampling import run_futures
from production.planning.score import handed_over
from production.planning.shop import Shop, make_shop

__all__ = ["GAIN", "hasten"]

SAMPLES = 300
TRIED = 6  # hand-overs in each round
DOUBTFUL = 0.6  # risk near which there is most to gain: beyond it lie promises long lost
ROUNDS = 4
GAIN = 0.02  # broken promises: what a change of the order must be worth


def hasten(problem: Problem, rule: Rule, *, samples: int = SAMPLES, seed: int = 0) -> Rule:
    """Return the rule with jobs to hasten, where that breaks noticeably fewer promises.

    Hand-overs are tried one at a time, the doubtful first, and the one is taken that
    lowers the expected number of broken promises most, as long as it pushes no other
    promise past the problem's risk limit; then again, up to four of them. What the rule
    hastens already stays. Repeatable: a fixed seed and a fixed number of tries.

    Parameters
    ----------
    problem : Problem
    rule : Rule
    samples, seed : int
        Futures simulated for each try.
    """
    shop = make_shop(problem)
    _, first = np.unique(shop.group, return_index=True)  # one job stands for a hand-over
    first = first[np.isfinite(shop.promise[first])]
    risk = _late(problem, shop, rule, samples, seed)
    for _ in range(ROUNDS):
        best: tuple[float, Rule, Floats] | None = None
        for job in _worth_trying(problem, shop, rule, first, risk):
            mine = np.flatnonzero(shop.group == shop.group[job])
            names = tuple(problem.jobs[j].id for j in mine)
            tried = replace(rule, hasten=(*rule.hasten, *names))
            after = _late(problem, shop, tried, samples, seed)
            if (after > allowed_risk(risk, problem.risk_limit)).any():
                continue
            gain = float((risk - after)[first].sum())
            if gain > GAIN and (best is None or gain > best[0]):
                best = gain, tried, after
        if best is None:
            break
        _, rule, risk = best
    return rule


def _worth_trying(
    problem: Problem, shop: Shop, rule: Rule, first: np.ndarray, risk: Floats
) -> list[int]:
    """Return the hand-overs with most to gain, by a job of each."""
    hastened = {str(name) for name in rule.hasten}
    left = [j for j in first if risk[j] > GAIN and str(problem.jobs[j].id) not in hastened]
    return sorted(left, key=lambda j: abs(risk[j] - DOUBTFUL))[:TRIED]


def _late(problem: Problem, shop: Shop, rule: Rule, samples: int, seed: int) -> Floats:
    """Return how likely the hand-over of each job's group is late, (J,)."""
    finish = run_futures(problem, shop, kernel_policy(problem, shop, rule), samples, seed)
    late: Floats = lateness(handed_over(shop, finish), shop.promise)
    return late

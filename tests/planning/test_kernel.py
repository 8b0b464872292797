"""The kernel against a SimPy model of the same bench, fed the same draws."""

from __future__ import annotations

import random

import numpy as np
import pytest

from production.planning.dispatch import expected_times
from production.planning.future import Draw
from production.planning.policy import Rule, kernel_policy
from production.planning.problem import parse_problem
from production.planning.shop import make_shop
from tests.planning.days import random_bench
from tests.planning.simpy_bench import Bench

RULES = ("fifo", "edd", "slack", "spt", "lpt", "most_work", "atc", "cr", "order")


def disagreement(seed: int) -> float:
    """Return the largest difference of any start, end or finish; inf for another machine."""
    rnd = random.Random(f"draw {seed}")
    problem = parse_problem(random_bench(seed))
    shop = make_shop(problem)
    steps = shop.step_job.size
    numbers = np.random.default_rng(seed)
    rows = rnd.choice([1, 3])
    draw = Draw(
        minutes=shop.minutes * np.exp(shop.spread * numbers.normal(size=(rows, steps))),
        luck=numbers.random((rows, steps)),
        run_luck=numbers.random((rows, steps)),
        factor=np.exp(0.1 * numbers.normal(size=rnd.choice([1, 3]))),
    )
    wait = rnd.choice([0.0, 15.0, 40.0, 1000.0])
    name = rnd.choice(RULES)
    order = tuple(rnd.sample([j.id for j in problem.jobs], len(problem.jobs)))
    rule = Rule(
        name,
        wait if rnd.random() < 0.6 else {"print": wait, "wash": 5.0},
        rnd.choice([0.5, 2.0]),
        order if name == "order" else (),
    )
    times = expected_times(shop, kernel_policy(problem, shop, rule), draw)
    bench = Bench(
        problem,
        rule,
        {
            "minutes": draw.minutes.tolist(),
            "luck": draw.luck.tolist(),
            "run_luck": draw.run_luck.tolist(),
            "factor": draw.factor.tolist(),
        },
    )
    bench.go()
    worst = 0.0
    for j, job in enumerate(problem.jobs):
        for index, step in enumerate(job.steps):
            if step.done:
                continue
            i = int(shop.job_first[j]) + index
            for mine, other in (
                (times.start[i], bench.start.get((j, index), np.inf)),
                (times.end[i], bench.end.get((j, index), np.inf)),
            ):
                if np.isinf(mine) or np.isinf(other):
                    worst = max(worst, 0.0 if mine == other else np.inf)
                else:
                    worst = max(worst, abs(mine - other))
            if times.resource[i] != bench.place.get((j, index), -1):
                worst = np.inf
        mine, other = times.finish[j], bench.finish[j]
        worst = max(worst, 0.0 if mine == other else abs(mine - other))
    return worst


@pytest.mark.parametrize("block", range(4))
def test_kernel_equals_the_simpy_model(block: int) -> None:
    for seed in range(block * 40, block * 40 + 40):
        assert disagreement(seed) <= 1e-6, f"bench {seed}"

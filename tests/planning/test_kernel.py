"""The kernel against a SimPy model of the same bench, fed the same draws."""

from __future__ import annotations

import random

import numpy as np
import pytest

from production.planning.dispatch import expected_times
from production.planning.kernel.future import Draw
from production.planning.kernel.shop import make_shop
from production.planning.policy import Rule, kernel_policy
from production.planning.problem import parse_problem
from production.planning.sampling import run_futures
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
        rnd.choice([0.0, 0.0, 0.3]),
        *(
            tuple(j.id for j in problem.jobs if rnd.random() < 0.2) if rnd.random() < 0.4 else ()
            for _ in range(3)
        ),
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


def test_what_goes_first_does_so_under_rules_that_change_with_time() -> None:
    # It has no promise, so its urgency would be the difference of two infinities.
    steps = [{"kind": "trim", "minutes": 10}]
    problem = parse_problem(
        {
            "resources": [{"id": "T", "kind": "trim"}],
            "jobs": [
                {"id": "urgent", "due": 10, "steps": steps},
                {"id": "wished", "steps": [{**steps[0], "first": True}]},
            ],
        }
    )
    shop = make_shop(problem)
    for name in ("atc", "cr"):
        times = expected_times(shop, kernel_policy(problem, shop, Rule(name)))
        assert times.start.tolist() == [10.0, 0.0], name
    assert disagreement(800) <= 1e-6  # the random bench that showed it


def test_what_is_hastened_goes_before_all_else_though_nothing_is_promised() -> None:
    steps = [{"kind": "trim", "minutes": 10}]
    problem = parse_problem(
        {
            "resources": [{"id": "T", "kind": "trim"}],
            "jobs": [
                {"id": "urgent", "due": 10, "steps": steps},
                {"id": "stock", "steps": steps},
                {"id": "hurried", "due": 90, "steps": steps},
            ],
        }
    )
    shop = make_shop(problem)
    for name in ("edd", "slack", "atc", "cr"):
        rule = Rule(name, hasten=("stock", "hurried"))
        times = expected_times(shop, kernel_policy(problem, shop, rule))
        assert times.start.tolist() == [20.0, 10.0, 0.0], name
    for seed in (254, 338, 537, 612):  # random benches that showed it
        assert disagreement(seed) <= 1e-6


def test_a_step_done_before_takes_its_time_again_when_it_is_done_anew() -> None:
    trim = {"kind": "trim", "minutes": 5, "failure": 0.999999, "rework": 0}
    problem = parse_problem(
        {
            "resources": [{"id": "P", "kind": "print"}, {"id": "T", "kind": "trim"}],
            "jobs": [
                {"id": "J", "steps": [{"kind": "print", "minutes": 50, "done": True}, trim]},
            ],
        }
    )
    shop = make_shop(problem)
    finish = run_futures(problem, shop, kernel_policy(problem, shop, Rule()), 20, seed=1)
    assert (finish == 5.0 + 3 * 55.0).all()  # four attempts, of which the last holds


def test_a_shop_of_more_machines_than_a_word_has_bits_runs_the_same() -> None:
    others = [{"id": f"other {n}", "kind": "other"} for n in range(59)]
    for seed in range(20):
        data = random_bench(seed)
        finishes = []
        for resources in (data["resources"], [*others, *data["resources"]]):
            problem = parse_problem({**data, "resources": resources})
            shop = make_shop(problem)
            finishes.append(
                run_futures(problem, shop, kernel_policy(problem, shop, Rule("edd", 15.0)), 5, seed)
            )
        assert (finishes[0] == finishes[1]).all(), f"bench {seed}"

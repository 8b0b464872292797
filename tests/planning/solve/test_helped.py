"""A person shared by steps: kept on purpose for what is needed more."""

import itertools
import random

import numpy as np
import pytest

from production.planning.problem import parse_problem
from production.planning.solve import solve
from production.planning.solve.check.checker import violations
from production.planning.solve.sequences import openwork, search, start
from tests.planning.solve import instances


def one_person(jobs, objective="weighted_tardiness"):
    """A bench where every step has a machine of its own, and one person for all of them."""
    steps = [(j, i) for j, job in enumerate(jobs) for i in range(len(job["steps"]))]
    listed = [
        {
            **job,
            "id": j,
            "steps": [
                {"kind": f"{j}.{i}", "needs": ["who"], **step}
                for i, step in enumerate(job["steps"])
            ],
        }
        for j, job in enumerate(jobs)
    ]
    machines = [{"id": f"m{j}.{i}", "kind": f"{j}.{i}"} for j, i in steps]
    person = {"id": "person", "kind": "who"}
    return {"objective": objective, "resources": [*machines, person], "jobs": listed}


def random_jobs(seed):
    rnd = random.Random(seed)
    return [
        {
            "release": rnd.choice([0, 5, 15]),
            "due": rnd.randint(10, 70),
            "weight": rnd.choice([1, 2, 5]),
            "steps": [
                {"minutes": (m := rnd.randint(2, 25)), "hands": rnd.randint(1, m)}
                for _ in range(rnd.choice([1, 2, 2]))
            ],
        }
        for _ in range(4)
    ]


def least_tardiness(jobs):
    """The least weighted tardiness over all orders in which the person can take the steps."""
    best = float("inf")
    turns = [j for j, job in enumerate(jobs) for _ in job["steps"]]
    for order in set(itertools.permutations(turns)):
        free, over, at = 0, [job["release"] for job in jobs], [0] * len(jobs)
        for j in order:
            step = jobs[j]["steps"][at[j]]
            begin = max(free, over[j])
            free, over[j], at[j] = begin + step["hands"], begin + step["minutes"], at[j] + 1
        late = (j["weight"] * max(end - j["due"], 0) for j, end in zip(jobs, over, strict=True))
        best = min(best, sum(late))
    return best


def test_a_person_stays_idle_for_what_comes_soon_and_is_due():
    long = {"due": 200, "steps": [{"minutes": 60}]}
    soon = {"release": 5, "due": 20, "steps": [{"minutes": 10}]}
    problem = one_person([long, soon], "promises")
    plan = solve(parse_problem(problem), work=1000)
    assert plan["objective"]["late_jobs"] == 0
    assert {s["job"]: s["start"] for s in plan["steps"]} == {0: 15, 1: 5}
    assert not violations(problem, plan)


@pytest.mark.parametrize("seed", range(8))
def test_one_person_for_all_equals_every_order_tried(seed):
    jobs = random_jobs(seed)
    problem = one_person(jobs)
    plan = solve(parse_problem(problem), work=6000, seed=seed + 1)
    assert plan["objective"]["value"] == pytest.approx(least_tardiness(jobs))
    assert not violations(problem, plan)


def test_a_plan_that_keeps_a_person_on_purpose_is_the_same_when_kept():
    for seed in range(20):
        problem = parse_problem(one_person(random_jobs(seed)))
        plan = solve(problem, work=2000)
        kept = solve(problem, work=0, previous=plan["steps"], gain=1e9)
        assert kept["kept"]
        assert kept["objective"]["value"] <= plan["objective"]["value"] + 1e-9


def test_with_helpers_in_their_turn_nothing_begins_later_than_on_the_bench():
    compared = 0
    for seed in range(200):
        problem = parse_problem(instances.wild_day(seed))
        work = openwork.open_work(problem)
        if not work.arrays.helped or problem.impossible():
            continue
        bench = start.Bench(work)
        run = bench.run(bench.rules()["earliest due"], 0.0)
        looking = search.Search(work, problem.objective, 1)
        assert looking.value(bench.states(run)[-1]) is not None, "no circle"
        began = np.where(np.isfinite(run.start), run.start, np.inf)[bench.rows]
        assert (looking.now.start <= began + 1e-6).all(), seed
        compared += 1
    assert compared > 20

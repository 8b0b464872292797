"""The search of orders: what a run is worth, what a change does, what is found."""

import itertools
import random

import numpy as np

from production.planning.kernel import queues
from production.planning.problem import parse_problem
from production.planning.solve import solve
from production.planning.solve.sequences import anneal, openwork, orders, search, start
from production.planning.solve.sequences.timing import LATE, LEAD, SPAN, STUCK, TARDY
from tests.planning.solve import instances

MEMORIES = 20


def test_a_run_is_worth_what_its_finishes_mean():
    rnd = random.Random(3)
    for _ in range(30):
        n = rnd.randrange(1, 8)
        unit = [rnd.randrange(3) for _ in range(n)]
        finish = [rnd.choice([rnd.uniform(-50, 300), 100.0, np.inf]) for _ in range(n)]
        due = [rnd.choice([100.0, openwork.INFINITE, rnd.uniform(0, 300)]) for _ in range(n)]
        weight = [rnd.choice([0.0, 1.0, 2.5]) for _ in range(n)]
        goals = start.Goals(np.array(unit), np.array(due), np.array(weight), 3)
        value = np.full(6, np.nan)
        start.worth(np.array(finish), goals, value)
        ends = [1e9 if np.isinf(f) else f for f in finish]
        over = [max(e for e, u in zip(ends, unit, strict=True) if u == mine) for mine in unit]
        late = [max(o - d, 0.0) for o, d in zip(over, due, strict=True)]
        assert value[LATE] == sum(x > 1e-9 for x in late)
        assert np.isclose(value[TARDY], sum(w * x for w, x in zip(weight, late, strict=True)))
        assert np.isclose(value[LEAD], sum(over))
        assert value[SPAN] == max(0.0, *ends)
        assert value[STUCK] == sum(np.isinf(finish))


def test_what_was_done_in_time_before_now_is_late_in_no_run():
    step = {"kind": "bench", "minutes": 10}
    problem = {
        "resources": [{"id": "bench", "kind": "bench"}],
        "jobs": [
            {"id": "over", "due": -20, "steps": [step | {"done": True, "ended": -50}]},
            {"id": "late", "due": -20, "steps": [step | {"done": True, "ended": -5}]},
            {"id": "open", "due": 30, "steps": [step]},
        ],
    }
    work = openwork.open_work(parse_problem(problem))
    bench, looking = start.Bench(work), search.Search(work, "promises", 1)
    run = bench.run((queues.FIXED, 1.0, bench.nothing), 0.0)
    value, timed = bench.value(run), looking.value(bench.state(run))
    for row, true in ((LATE, 1), (TARDY, 15), (LEAD, -45), (SPAN, 10)):
        assert value[row] == timed[row] == true


def test_a_change_keeps_every_job_and_reaches_every_order():
    jobs, waits, seed = np.arange(4), np.zeros(4), anneal.generator(5)
    seen = set()
    for _ in range(20_000):
        orders.change(jobs, waits, np.array([0.0, 20.0]), seed)
        assert sorted(jobs.tolist()) == [0, 1, 2, 3]
        assert set(waits.tolist()) <= {0.0, 20.0}
        seen.add((*jobs.tolist(), *waits.tolist()))
    assert len(seen) == 24 * 16


def searched(data, runs):
    work = openwork.open_work(parse_problem(data))
    objective = data["objective"]
    order = np.array(search.ORDERS[objective])
    bench = start.Bench(work)
    first = bench.run((queues.FIXED, 1.0, bench.nothing), 0.0)
    looking = orders.OrderSearch(bench, search.lead_weights(objective), order, 1)
    budget = search.Budget(None, trials=runs * orders.RUN_IN_TRIALS)
    return bench.value(first), bench.value(looking.improve(first, 0.0, budget, MEMORIES)), order


def test_the_best_of_all_orders_is_found_on_one_machine():
    rnd = random.Random(11)
    for _ in range(5):
        n = 6
        minutes, weights = [[rnd.randrange(1, 20) for _ in range(n)] for _ in range(2)]
        due = [rnd.randrange(1, 50) for _ in range(n)]
        least = min(
            sum(
                weights[j] * max(sum(minutes[i] for i in turn[: k + 1]) - due[j], 0)
                for k, j in enumerate(turn)
            )
            for turn in itertools.permutations(range(n))
        )
        found = searched(instances.one_machine(minutes, weights, due), 4000)[1]
        assert found[TARDY] == least


def test_what_is_found_is_never_worse_than_where_it_began_and_repeats():
    for seed in range(6):
        data = instances.office_day(seed, 12, 1 + seed % 2)
        before, after, order = searched(data, 400)
        assert not anneal.better(before, after, order)
        assert np.array_equal(after, searched(data, 400)[1])


def test_where_many_are_late_a_short_search_spends_its_work_on_whose_turn_it_is():
    """Three days; with most of the work in moves of single steps 33 are late."""
    late = 0
    for seed in (90_541, 90_612, 90_625):
        problem = parse_problem(instances.office_day(seed, 40, 2))
        late += solve(problem, work=20_000)["objective"]["late_jobs"]
    assert late <= 30

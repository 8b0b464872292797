"""What can begin sooner at nobody's cost does: against trying every place."""

import numpy as np
import pytest

from production.planning.problem import parse_problem
from production.planning.solve import report
from production.planning.solve.check.checker import violations
from production.planning.solve.sequences import moves, openwork, search, start
from production.planning.solve.sequences.timing import BLK, HEAD, MEM, NEXT, STUCK
from tests.planning.days import random_bench
from tests.planning.solve import instances


def brought_forward(data):
    """Return (search, state, times before) of a plan whose steps were brought forward."""
    problem = parse_problem(data)
    work = openwork.open_work(problem)
    looking = search.Search(work, problem.objective, 1)
    bench = start.Bench(work)
    state = bench.state(bench.run(bench.rules()["earliest due"], 60.0))
    for _ in range(60):  # any plan that holds, not one the rules would make
        trial = state.copy()
        if moves.move_step(work.arrays, trial, looking.now, 0, looking.seed):
            state = state if looking.value(trial) is None else trial
    value = looking.value(state)
    assert value is not None
    before = looking.now.start.copy(), looking.now.end.copy(), value
    best = search.Best(state, value.copy())
    looking.bring_forward(best)
    return looking, best, before


def test_a_person_does_not_wait_beside_work_that_is_there():
    data = {
        "resources": [{"id": "bench", "kind": "bench"}],
        "jobs": [
            {"id": "late scan", "release": 30, "steps": [{"kind": "bench", "minutes": 10}]},
            {"id": "there", "steps": [{"kind": "bench", "minutes": 20}]},
            {"id": "long", "steps": [{"kind": "bench", "minutes": 45}]},
        ],
    }
    work = openwork.open_work(parse_problem(data))
    looking = search.Search(work, "promises", 1)
    one_by_one = np.arange(3)
    state = start.table(work, one_by_one, np.zeros(3, int), one_by_one)
    best = search.Best(state, looking.value(state))
    assert looking.now.start.tolist() == [30, 40, 60]
    search.Search(work, "promises", 1, forward=0.0).bring_forward(best)
    looking.value(best.state)
    assert looking.now.start.tolist() == [30, 40, 60]  # there was no time for it
    looking.bring_forward(best)
    # The short one fills the wait for the scan; the long one would hold the scan up.
    looking.value(best.state)
    assert looking.now.start.tolist() == [30, 0, 40]


def test_nothing_ends_later_and_the_plan_stays_good():
    moved = 0
    for seed in range(120):
        data = random_bench(seed) if seed % 2 else instances.wild_day(seed)
        if parse_problem(data).impossible() or not openwork.open_work(parse_problem(data)).steps:
            continue
        looking, best, (begin, end, value) = brought_forward(data)
        if value[STUCK] > 0:
            continue
        assert not violations(data, report.plan_of(looking, best.state)), seed
        assert np.all(looking.now.end <= end + 1e-5), seed
        assert best.value.tolist() == pytest.approx(looking.value(best.state).tolist())
        moved += np.count_nonzero(looking.now.start < begin - 1e-5)
    assert moved > 30


def test_no_other_place_lets_a_block_begin_sooner_at_nobodys_cost():
    for seed in (2, 4, 8):  # days without closing times, so that every gap is one
        looking, best, _ = brought_forward(instances.office_day(seed, 12, 2))
        a, state = looking.work.arrays, best.state
        looking.value(state)
        begin, end = looking.now.start.copy(), looking.now.end.copy()
        for b in range(len(begin)):
            if state[BLK, b] != b or state[MEM, b] >= 0:
                continue
            for r in a.choice[a.choice_from[b] : a.choice_from[b + 1]]:
                places, x = [-1], state[HEAD, r]
                while x >= 0:
                    places.append(int(x))
                    x = state[NEXT, x]
                for behind in places:
                    if behind == b:
                        continue
                    trial = state.copy()
                    moves.unlink(trial, b)
                    moves.link(trial, b, r, behind)
                    if looking.value(trial) is None or looking.now.start[b] > begin[b] - 1e-5:
                        continue
                    assert np.any(looking.now.end > end + 1e-6), (seed, b, r, behind)

"""Parts of a plan put anew: never worse, always a plan; the part's model says what timing says."""

import numpy as np
import pytest
from ortools.sat.python import cp_model

from production.planning.problem import parse_problem
from production.planning.solve import report
from production.planning.solve.bounds import CRITERIA
from production.planning.solve.check.checker import violations
from production.planning.solve.constraints import exact, regions
from production.planning.solve.constraints.measure import Measure
from production.planning.solve.constraints.part import PartBuilder
from production.planning.solve.constraints.rework import FEWER, Rework
from production.planning.solve.sequences import openwork, search, start
from production.planning.solve.sequences.timing import LATE, LEAD, SPAN, STUCK, TARDY
from tests.planning.solve import instances


def poor_plan(problem, rule="first come"):
    """Return (search, best) of a plan by a dispatch rule; None if it leaves work undone."""
    work = openwork.open_work(parse_problem(problem))
    looking = search.Search(work, problem["objective"], 1)
    bench = start.Bench(work)
    state = bench.state(bench.run(bench.rules()[rule], 0.0))
    value = looking.value(state)
    usable = work.steps and exact.applies(work) and not work.problem.impossible()
    if not usable or value is None or value[STUCK] > 0:
        return looking, None
    return looking, search.Best(state, value)


def least(model, criterion):
    """Return the least value of a criterion in a model, proved."""
    measure = Measure(model)
    model.cp.minimize(measure.expression(criterion))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model.cp) == cp_model.OPTIMAL
    return solver.objective_value / measure.unit(criterion)


def test_random_days_stay_plans_and_become_no_worse():
    better = 0
    for seed in range(60):
        problem = instances.wild_day(seed)
        looking, best = poor_plan(problem)
        if best is None:
            continue
        before = best.value.copy()
        Rework(looking, seed).improve(best, search.Budget(None, deterministic=0.1), lambda _: False)
        assert not looking.better(before, best.value), seed
        assert np.allclose(looking.value(best.state), best.value)
        plan = report.plan_of(looking, best.state, set())
        assert violations(problem, plan | {"infeasible": []}) == [], seed
        better += looking.better(best.value, before)
    assert better > 5


@pytest.mark.parametrize("objective", ["promises", "weighted_tardiness", "makespan"])
def test_a_large_day_becomes_much_better_and_the_same_each_time(objective):
    problem = instances.office_day(90_071, 18, 2, objective)
    results = []
    for _ in range(2):
        looking, best = poor_plan(problem)
        before = best.value.copy()
        Rework(looking, 1).improve(best, search.Budget(None, deterministic=0.2), lambda _: False)
        results.append(best.state.tobytes())
        first = CRITERIA[objective][0]
        assert best.value[first] < before[first]
        plan = report.plan_of(looking, best.state, set())
        assert violations(problem, plan | {"infeasible": []}) == []
    assert results[0] == results[1]


def test_with_nothing_free_the_model_says_what_timing_says():
    seen = 0
    for seed in range(80):
        problem = instances.wild_day(seed) if seed % 4 else instances.office_day(seed, 6, 2)
        looking, best = poor_plan(problem)
        if best is None or looking.work.arrays.helped or np.any(looking.work.arrays.minutes == 0):
            continue  # the model does not see helpers, nor that a moment needs room
        builder = PartBuilder(looking.work)
        if not builder.scale.exact:
            continue
        nothing = np.zeros(len(looking.work.steps), bool)
        for criterion in (SPAN, TARDY, LATE):
            model = builder.part(best.state, nothing)
            assert least(model, criterion) == pytest.approx(best.value[criterion]), seed
        seen += 1
    assert seen > 20


def test_with_everything_free_the_model_is_the_whole_one():
    for seed in range(8):
        problem = instances.office_day(seed, 3, 1 + seed % 2, "makespan")
        looking, best = poor_plan(problem)
        builder = PartBuilder(looking.work)
        model = builder.part(best.state, np.ones(len(looking.work.steps), bool))
        whole = exact.Exact(looking, 1).model
        assert least(model, SPAN) == least(whole, SPAN)


def test_a_part_has_the_size_asked_for_and_holds_the_job_it_was_begun_at():
    problem = instances.office_day(7, 20, 2)
    looking, best = poor_plan(problem)
    looking.value(best.state)
    a, rng = looking.work.arrays, np.random.default_rng(3)
    for kind in regions.LATENESS_KINDS:
        for job in range(0, 20, 3):
            free = kind(a, looking.now, job, 40, False, rng)
            assert 10 <= free.sum() <= 40
            assert np.any(a.step_job[free] == job)


def one_long_three_short():
    """Return (search, best): the long job runs first, so that three short ones are late."""
    minutes, due = [100, 10, 10, 10], [100, 30, 30, 30]
    problem = instances.one_machine(minutes, [9, 1, 1, 1], due) | {"objective": "promises"}
    work = openwork.open_work(parse_problem(problem))
    looking = search.Search(work, "promises", 1)
    state = start.Bench(work).one_by_one()
    return looking, search.Best(state, looking.value(state))


def test_asked_for_one_broken_promise_less_a_part_gives_up_another():
    looking, best = one_long_three_short()
    assert (best.value[LATE], best.value[TARDY]) == (3, 80 + 90 + 100)
    rework = Rework(looking, 1)
    everything = np.ones(4, bool)
    for fewest in (2, 1):  # the long job is given up, though that costs 9 a minute
        model = PartBuilder(looking.work).part(best.state, everything)
        solver = rework._solve(model, best, search.Budget(None), 1.0, FEWER)
        rework._offer(best, search.Budget(None), *model.read(solver))
        assert best.value[LATE] <= fewest
    model = PartBuilder(looking.work).part(best.state, everything)
    solver = rework._solve(model, best, search.Budget(None), 1.0, FEWER)
    assert solver.response_proto.status == cp_model.INFEASIBLE


def test_with_a_promise_that_cannot_be_kept_lead_time_is_bettered():
    minutes, due = [30, 20, 10, 40], [5, 200, 200, 200]  # the first is late whatever is done
    problem = instances.one_machine(minutes, [1] * 4, due) | {"objective": "promises"}
    work = openwork.open_work(parse_problem(problem))
    looking = search.Search(work, "promises", 1)
    turn = np.array([0, 2, 3, 1])
    state = start.table(work, turn.astype(float), work.arrays.choice, turn)
    first = search.Best(state, looking.value(state))
    assert (first.value[LATE], first.value[TARDY], first.value[LEAD]) == (1, 25, 30 + 70 + 90 + 100)
    for proved in (None, exact.Bound({LATE: 1.0, TARDY: 25.0})):
        best = search.Best(first.state.copy(), first.value.copy())
        rework = Rework(looking, 1, proved)
        rework.improve(best, search.Budget(None, deterministic=0.3), lambda _: False)
        assert (best.value[LATE], best.value[TARDY]) == (1, 25)
        assert best.value[LEAD] == 30 + 40 + 60 + 100


def test_a_part_for_fewer_is_begun_at_a_promise_that_nearly_holds():
    looking, best = one_long_three_short()
    a, rng = looking.work.arrays, np.random.default_rng(1)
    a.job_due[1:] = [109.0, 30.0, 30.0]  # the first of the short ones misses by a minute
    looking.value(best.state)
    drawn = np.bincount([regions.savable_job(a, looking.now, rng) for _ in range(300)], minlength=4)
    assert drawn[0] == 0  # it is in time
    assert drawn[1] > drawn[2] + drawn[3]


def test_in_exchange_are_those_who_lose_least_by_ending_as_late():
    problem = instances.one_machine([30] * 4, [50, 1, 5, 60], [70] * 4)
    problem["resources"][0]["open"] = [[0, 100], [1000, 2000]]
    work = openwork.open_work(parse_problem(problem))
    a = work.arrays
    turn = np.array([0, 1, 3, 2])
    looking = search.Search(work, "weighted_tardiness", 1)
    looking.value(start.table(work, turn.astype(float), a.choice[a.choice_from[:-1]], turn))
    assert looking.now.end.tolist() == [30, 60, 1030, 90]
    for seed in range(20):
        free = regions.in_exchange(a, looking.now, 2, 2, False, np.random.default_rng(seed))
        assert np.flatnonzero(free).tolist() == [1, 2]


def test_the_whole_may_be_asked_for_less_tardiness_at_no_more_broken_promises():
    problem = instances.office_day(50_004, 6, 1, "promises")
    for job in problem["jobs"]:
        job["due"] = job["due"] * 0.6
    looking, best = poor_plan(problem, "longest")
    before, bound = best.value.copy(), exact.Bound()
    whole = exact.Exact(looking, 1)
    whole.improve(best, bound, search.Budget(None, deterministic=0.5), first=1)
    assert 0 < best.value[LATE] <= before[LATE]
    assert best.value[TARDY] < before[TARDY]
    assert LATE not in bound.lower  # that was not asked, so that nothing is proved of it
    assert not bound.proved

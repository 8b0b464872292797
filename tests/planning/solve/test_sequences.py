"""The compiled search against plain reckoning: times, moves, insertions, bounds."""

import itertools
import random

import numpy as np
import pytest

from production.planning.problem import parse_problem
from production.planning.solve import bounds
from production.planning.solve.sequences import anneal, moves, openwork, permutation, search, start
from production.planning.solve.sequences.timing import (
    BLK,
    HEAD,
    LATE,
    LEAD,
    MEM,
    NEAR,
    NEXT,
    PREV,
    RES,
    SOFT,
    SPAN,
    STUCK,
    TAIL,
    TARDY,
    evaluate,
)
from tests.planning.solve import instances


def blocks_of(state, work):
    """The lists of a state as plain (resource, [members]) in order, checked for wholeness."""
    lists, seen = [], []
    for r in range(len(work.arrays.batch)):
        before, block = -1, state[HEAD, r]
        row = []
        while block >= 0:
            assert state[RES, block] == r
            assert state[PREV, block] == before
            members, o = [], block
            while o >= 0:
                assert state[BLK, o] == block
                members.append(int(o))
                o = state[MEM, o]
            row.append(members)
            seen += members
            before, block = block, state[NEXT, block]
        assert state[TAIL, r] == before
        lists.append(row)
    assert sorted(seen) == list(range(len(work.steps)))
    return lists


def first_start(resource, t, length, attended):
    """The first whole-calendar start, by trying every candidate moment."""
    windows = [(-1e18, 1e18)] if resource.open is None else resource.open
    moments = sorted({t, *(w[0] for w in windows), *(d[1] for d in resource.down)})
    for s in (m for m in moments if m >= t):
        inside = any(
            lo <= s and (s + length <= hi + 1e-9 if attended else s < hi) for lo, hi in windows
        )
        down = any((lo < s + length and hi > s) or lo <= s < hi for lo, hi in resource.down)
        if inside and not down:
            return s
    return None


def reckon(work, lists):
    """Start times of a state by naive passes over the rules, and whether any is stuck."""
    problem, a = work.problem, work.arrays
    step = [problem.jobs[j].steps[i] for j, i in work.steps]
    begin: dict[int, float] = {}
    end: dict[int, float] = {}
    stuck = False
    todo = [[list(m) for m in row] for row in lists]
    latest = [(float(a.free_from[r]), int(a.last_family[r])) for r in range(len(lists))]
    running = [
        [(float(x), float(s)) for x, s in zip(a.busy_until[k], a.busy_size[k], strict=True)]
        if (k := a.shared[r]) >= 0
        else []
        for r in range(len(lists))
    ]
    moved = True
    while moved:
        moved = False
        for r, row in enumerate(todo):
            while row and all(a.step_prev[o] < 0 or a.step_prev[o] in end for o in row[0]):
                members, resource = row.pop(0), problem.resources[r]
                length = max(a.minutes[o, r] for o in members)
                attended = any(step[o].attended for o in members)
                t = max(
                    max(a.step_ready[o], end[a.step_prev[o]] if a.step_prev[o] >= 0 else 0.0)
                    for o in members
                )
                clock, family = latest[r]
                t = max(t, clock)
                if resource.setup and family not in (-1, a.step_family[members[0]]):
                    t = max(t, clock + resource.setup)
                size = min(step[members[0]].size, resource.capacity)
                s = first_start(resource, t, length, attended)
                while s is not None and a.shared[r] >= 0:
                    load = sum(z for x, z in running[r] if x > s)
                    if load + size <= resource.capacity + 1e-9:
                        break
                    s = first_start(
                        resource, min(x for x, _ in running[r] if x > s), length, attended
                    )
                if s is None:
                    stuck, s = True, t
                for o in members:
                    begin[o], end[o] = s, s + length
                running[r].append((s + length, size))
                latest[r] = (s if a.shared[r] >= 0 else s + length, int(a.step_family[members[0]]))
                moved = True
    return (begin if len(begin) == len(step) else None), stuck


def test_times_equal_a_plain_reckoning_and_moves_keep_the_lists_whole():
    checked = 0
    for seed in range(80):
        problem = parse_problem(instances.wild_day(seed))
        work = openwork.open_work(problem)
        if not work.steps or problem.impossible() or work.arrays.helped:
            continue
        looking = search.Search(work, problem.objective, seed)
        bench = start.Bench(work)
        state = bench.state(bench.run(bench.rules()["first come"], 0.0))
        assert looking.value(state) is not None
        for _ in range(40):
            trial = state.copy()
            if not anneal.try_move(
                work.arrays, trial, looking.now, looking.kinds, False, looking.seed
            ):
                continue
            lists = blocks_of(trial, work)
            begin, stuck = reckon(work, lists)
            good = evaluate(work.arrays, trial, looking.trial)
            assert good == (begin is not None)
            if good:
                assert stuck == (looking.trial.value[STUCK] > 0)
                times = [begin[o] for o in range(len(work.steps))]
                assert looking.trial.start == pytest.approx(times)
                state = trial
                looking.value(state)
                checked += 1
    assert checked > 800


def test_a_job_put_back_goes_before_all_that_begins_after_it_could():
    # Two stages; the last job of each is put back as soon as it can be, or after a delay.
    steps = [{"kind": "a", "minutes": 10}, {"kind": "b", "minutes": 5}]
    data = {
        "resources": [{"id": "a", "kind": "a"}, {"id": "b", "kind": "b"}],
        "jobs": [{"id": j, "due": 100, "steps": steps} for j in range(4)],
    }
    work = openwork.open_work(parse_problem(data))
    looking = search.Search(work, "promises", 1)
    bench = start.Bench(work)
    for delay, order in ((0.0, [3, 0, 1, 2]), (15.0, [0, 1, 3, 2])):
        state = bench.state(bench.run(bench.rules()["first come"], 0.0))
        assert looking.value(state) is not None
        assert moves.reinsert(work.arrays, state, looking.now, 3, 6, delay, -1, 0.0, looking.seed)
        machines = [[o for (o,) in row] for row in blocks_of(state, work)]
        assert machines == [[2 * j for j in order], [2 * j + 1 for j in order]], delay


def test_a_job_that_changes_plates_brings_its_earlier_steps_forward():
    # Plates of one: who goes onto the first plate instead must be prepared for it first.
    steps = [
        {"kind": "bench", "minutes": 10},
        {"kind": "printer", "minutes": 30, "attended": False},
        {"kind": "bench", "minutes": 5},
    ]
    data = {
        "resources": [
            {"id": "bench", "kind": "bench"},
            {"id": "printer", "kind": "printer", "batch": True, "capacity": 1},
        ],
        "jobs": [{"id": j, "due": 100, "steps": steps} for j in range(4)],
    }
    work = openwork.open_work(parse_problem(data))
    looking = search.Search(work, "promises", 1)
    bench = start.Bench(work)
    first = bench.state(bench.run(bench.rules()["first come"], 0.0))
    sooner = 0
    for _ in range(60):
        state = first.copy()
        assert looking.value(state) is not None
        if not moves.other_company(work.arrays, state, looking.now, 10, looking.seed):
            continue
        plates = blocks_of(state, work)[1]
        assert looking.value(state) is not None, "no circle"
        assert looking.now.start[10] < 100, "its preparation is not in the way"
        sooner += plates.index([10]) < 3
    assert sooner > 20


def test_a_flow_line_is_recognised_and_other_work_is_not():
    table = instances.taillard(instances.TAILLARD_SEEDS[0])
    problem = instances.flow_line(table)
    line = permutation.flow_line(openwork.open_work(parse_problem(problem)))
    assert line is not None
    assert line[1].T.tolist() == table
    problem["jobs"][3]["release"] = 5
    assert permutation.flow_line(openwork.open_work(parse_problem(problem))) is None
    day = parse_problem(instances.office_day(1, 4))
    assert permutation.flow_line(openwork.open_work(day)) is None


def flow_span(p, order):
    clock = np.zeros(p.shape[1])
    for j in order:
        for k in range(p.shape[1]):
            clock[k] = max(clock[k], clock[k - 1] if k else 0.0) + p[j, k]
    return clock[-1]


def test_insertion_values_equal_those_of_trying_every_place():
    rnd = np.random.default_rng(4)
    p = rnd.integers(1, 50, (9, 4)).astype(float)
    head, tail = np.zeros((10, 4)), np.zeros((10, 4))
    order = np.arange(9)
    permutation.heads_and_tails(p, order, 8, head, tail)
    place, span = permutation.best_place(p, 8, 8, head, tail, anneal.generator(1))
    tried = [flow_span(p, [*range(i), 8, *range(i, 8)]) for i in range(9)]
    assert span == min(tried)
    assert tried[place] == min(tried)


def test_iterated_greedy_reaches_the_best_of_all_orders():
    rnd = np.random.default_rng(9)
    for _ in range(4):
        p = rnd.integers(1, 60, (7, 4)).astype(float)
        best = min(flow_span(p, o) for o in itertools.permutations(range(7)))
        flow = permutation.FlowLine((np.arange(4), p), anneal.generator(2))
        assert flow.run(300) == best
        assert flow_span(p, flow.best) == best


def test_the_chain_of_a_late_job_is_what_it_waited_for():
    """B waits for A on the machine; C, on another machine, has nothing to do with it."""
    problem = parse_problem(
        {
            "objective": "promises",
            "resources": [{"id": "m", "kind": "m"}, {"id": "n", "kind": "n"}],
            "jobs": [
                {"id": "A", "due": 100, "steps": [{"kind": "m", "minutes": 30}]},
                {"id": "B", "due": 35, "steps": [{"kind": "m", "minutes": 10}]},
                {"id": "C", "due": 100, "steps": [{"kind": "n", "minutes": 20}]},
            ],
        }
    )
    work = openwork.open_work(problem)
    looking = search.Search(work, "promises", 1)
    bench = start.Bench(work)
    state = bench.state(bench.run(bench.rules()["longest"], 0.0))
    value = looking.value(state)
    assert value[LATE] == 1
    assert 0 < value[NEAR] < 1, "B is five minutes late and not given up"
    spans = [
        anneal.critical_step(work.arrays, state, looking.now, True, looking.seed) for _ in range(50)
    ]
    assert {work.problem.jobs[work.steps[o][0]].id for o in spans} == {"A", "B"}


def test_a_closed_minute_counts_a_tenth_in_the_softened_tardiness():
    """Against the minutes counted one by one."""
    for seed in range(1, 60, 2):
        problem = parse_problem(instances.office_day(seed, 12, 1, "weighted_tardiness"))
        work = openwork.open_work(problem)
        looking = search.Search(work, problem.objective, 1)
        bench = start.Bench(work)
        value = looking.value(bench.state(bench.run(bench.rules()["longest"], 0.0)))
        a, hours = work.arrays, next(r.open for r in problem.resources if r.kind == "bench")
        soft = 0.0
        for j, due in enumerate(a.job_due):
            for minute in range(int(due), int(looking.now.unit_end[a.job_unit[j]])):
                is_open = any(since <= minute < until for since, until in hours)
                soft += a.job_weight[j] * (1.0 if is_open else 0.1)
        assert value[STUCK] == 0
        assert value[SOFT] == pytest.approx(soft)
        assert value[SOFT] <= value[TARDY]


def test_simple_bounds_never_exceed_what_a_plan_reaches():
    for seed in range(60):
        problem = parse_problem(instances.wild_day(seed))
        if problem.impossible():
            continue
        work = openwork.open_work(problem)
        lower = bounds.simple(work)
        bench = start.Bench(work)
        looking = search.Search(work, problem.objective, 1)
        for rule in bench.rules().values():
            value = looking.value(bench.state(bench.run(rule, 0.0)))
            if value is not None and value[STUCK] == 0:
                for criterion in (LATE, TARDY, LEAD, SPAN):
                    assert lower[criterion] <= value[criterion] + 1e-6


def test_late_jobs_on_one_machine_are_bounded_exactly():
    rnd = random.Random(5)
    for _ in range(20):
        n = 6
        p = [rnd.randrange(1, 20) for _ in range(n)]
        due = [rnd.randrange(1, 60) for _ in range(n)]
        work = openwork.open_work(parse_problem(instances.one_machine(p, [1] * n, due)))
        least = min(
            sum(sum(p[i] for i in order[: k + 1]) > due[order[k]] for k in range(n))
            for order in itertools.permutations(range(n))
        )
        assert bounds.simple(work)[LATE] == least


def test_what_runs_holds_its_part_of_a_helper_who_helps_two_at_once():
    running = {"kind": "a", "minutes": 40, "needs": ["pair"], "started": 0, "resource": "a0"}
    step = {"kind": "a", "minutes": 30, "needs": ["pair"]}
    data = {
        "resources": [{"id": f"a{k}", "kind": "a"} for k in range(3)]
        + [{"id": "pair", "kind": "pair", "capacity": 2}],
        "jobs": [{"id": 0, "steps": [running]}, *({"id": j, "steps": [step]} for j in (1, 2))],
    }
    work = openwork.open_work(parse_problem(data))
    looking = search.Search(work, "promises", 1)
    bench = start.Bench(work)
    for rule in bench.rules().values():
        run = bench.run(rule, 0.0)
        assert looking.value(bench.state(run)) is not None
        assert sorted(looking.now.start.tolist()) == [0, 30]
        assert sorted(run.start[1:].tolist()) == [0, 30], "the kernel says the same"

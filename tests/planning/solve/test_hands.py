"""People who run steps and load machines as well, in plans that the constraint solver makes."""

import numpy as np
from ortools.sat.python import cp_model

from production.planning.problem import parse_problem
from production.planning.solve import report
from production.planning.solve.bounds import CRITERIA
from production.planning.solve.check.checker import violations
from production.planning.solve.constraints import regions
from production.planning.solve.constraints.measure import Measure
from production.planning.solve.constraints.part import PartBuilder
from production.planning.solve.constraints.rework import Rework
from production.planning.solve.sequences import openwork, search, start
from production.planning.solve.sequences.hands import Hands
from production.planning.solve.sequences.timing import TARDY
from tests.planning.solve import instances

PEOPLE = [{"id": f"p{k}", "kind": "hand"} for k in range(2)]


def loading_day(seed, arches, objective):
    """An office day whose machines are loaded, and whose former is served, at the benches."""
    problem = instances.office_day(seed, arches, 2, objective)
    for job in problem["jobs"]:
        for step in job["steps"]:
            if step["kind"] != "bench":
                step["needs"] = ["bench"]
                if not step.get("attended", True):
                    step["hands"] = 3
    return problem


def begun(problem):
    """Return (work, search, best) of the day in the order of promises."""
    work = openwork.open_work(parse_problem(problem))
    looking = search.Search(work, problem["objective"], 1)
    bench = start.Bench(work)
    best = search.Best(state := bench.one_by_one(), looking.value(state))
    looking.offer(best, *bench.states(bench.run(bench.rules()["earliest due"], 20.0)))
    return work, looking, best


def test_timing_keeps_what_the_solver_promises():
    seen = 0
    for seed in (90_013, 90_031):
        work, looking, best = begun(loading_day(seed, 14, "weighted_tardiness"))
        builder, hands, rng = PartBuilder(work), Hands(work), np.random.default_rng(seed)
        for kind in regions.KINDS:
            looking.value(best.state)
            job = regions.pressing_job(work.arrays, looking.now, False, rng)
            free = kind(work.arrays, looking.now, job, 40, False, rng)
            model = builder.part(best.state, free)
            builder.hint_plan(model, looking.now.start, looking.now.end, best.state)
            measure = Measure(model)
            model.cp.minimize(measure.expression(TARDY))
            solver = cp_model.CpSolver()
            solver.parameters.num_workers = 1
            solver.parameters.max_deterministic_time = 0.04
            if solver.solve(model.cp) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
                continue
            told = solver.objective_value / measure.unit(TARDY)
            value = looking.value(hands.state(looking.now, *model.read(solver)))
            assert value is not None
            assert value[TARDY] <= told + 1e-6
            seen += 1
    assert seen >= 4


def test_a_step_goes_to_whom_no_load_takes_away():
    resources = [*PEOPLE, {"id": "machine", "kind": "machine"}]
    jobs = [
        {"id": "x", "steps": [{"kind": "hand", "minutes": 3}]},
        {
            "id": "load",
            "release": 3,
            "steps": [{"kind": "machine", "minutes": 10, "needs": ["hand"]}],
        },
        {"id": "y", "release": 4, "due": 9, "steps": [{"kind": "hand", "minutes": 5}]},
    ]
    work = openwork.open_work(parse_problem({"resources": resources, "jobs": jobs}))
    looking = search.Search(work, "promises", 1)
    # The solver lets x begin at 1, so that it counts one person free at 3; both are by then.
    state = Hands(work).state(
        looking.now, np.array([1.0, 3.0, 4.0]), np.array([0, 2, 0]), np.array([0, 1, 2])
    )
    assert looking.value(state)[TARDY] == 0.0


def test_plates_loaded_at_the_same_moment_make_no_circle():
    printers = [
        {"id": f"m{k}", "kind": "print", "batch": True, "capacity": 2, "open": [[10, 500]]}
        for k in range(2)
    ]
    cut = {"kind": "hand", "minutes": 2}
    plate = {"kind": "print", "minutes": 30, "attended": False, "hands": 3, "needs": ["hand"]}
    jobs = [{"id": j, "steps": [cut, plate] if j in (0, 3) else [plate]} for j in range(4)]
    work = openwork.open_work(parse_problem({"resources": [*PEOPLE, *printers], "jobs": jobs}))
    looking = search.Search(work, "promises", 1)
    names = [(j, i) for j, i in work.steps]
    where = {(0, 0): (0, 0, 0), (3, 0): (0, 1, 1)}
    rows = [where.get(n, (10, 2 + n[0] // 2, 10 + n[0] // 2)) for n in names]
    begin, resource, run = (np.array(column) for column in zip(*rows, strict=True))
    turn = np.array([i for _, i in work.steps])
    state = start.table(work, begin.astype(float), resource, run)
    held = start.in_turn(work, state, begin.astype(float), turn)
    assert looking.value(held) is not None


def test_a_day_of_loads_becomes_much_better_and_the_same_each_time():
    problem = loading_day(90_031, 18, "promises")
    results = []
    for _ in range(2):
        _, looking, best = begun(problem)
        before = best.value.copy()
        Rework(looking, 1).improve(best, search.Budget(None, deterministic=0.6), lambda _: False)
        first, second = CRITERIA["promises"][:2]
        assert best.value[first] <= before[first]
        assert best.value[second] < 0.8 * before[second]
        plan = report.plan_of(looking, best.state, set())
        assert violations(problem, plan | {"infeasible": []}) == []
        results.append(best.state.tobytes())
    assert results[0] == results[1]

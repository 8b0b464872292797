"""The plan in force keeps its order unless another gains what was asked for."""

import copy
import time

from production.planning import plan as plan_at_once
from production.planning.problem import parse_problem
from production.planning.solve import report, solve
from production.planning.solve.check.checker import violations
from production.planning.solve.sequences import openwork, search
from production.planning.solve.sequences.timing import LATE
from tests.planning.days import random_bench
from tests.planning.solve import instances


def order_of(plan, jobs=None):
    """The order of starts on every resource, of some jobs or all."""
    rows = sorted(plan["steps"], key=lambda s: (s["start"], s["index"], s["job"]))
    lists: dict[str, list[tuple[str, int]]] = {}
    for row in rows:
        if jobs is None or row["job"] in jobs:
            lists.setdefault(row["resource"], []).append((row["job"], row["index"]))
    return lists


def one_bench(*jobs):
    """A bench of one person with jobs given as (id, minutes, due)."""
    return {
        "resources": [{"id": "bench", "kind": "bench"}],
        "jobs": [
            {"id": name, "due": due, "steps": [{"kind": "bench", "minutes": minutes}]}
            for name, minutes, due in jobs
        ],
    }


def test_an_order_that_keeps_all_promises_stays_though_another_is_a_little_sooner():
    jobs = ("long", 60, 400), ("short", 5, 400)
    before = [
        {"job": "long", "index": 0, "resource": "bench", "start": 0, "end": 60, "batch": None},
        {"job": "short", "index": 0, "resource": "bench", "start": 60, "end": 65, "batch": None},
    ]
    problem = parse_problem(one_bench(*jobs))
    assert order_of(solve(problem, work=300))["bench"][0] == ("short", 0)
    kept = solve(problem, work=300, previous=before, gain=1.0)
    assert kept["kept"]
    assert order_of(kept)["bench"] == [("long", 0), ("short", 0)]
    assert not kept["proved_optimal"], "lead time could be less"


def test_it_changes_where_a_promise_or_more_than_the_gain_is_saved():
    before = [
        {"job": "long", "index": 0, "resource": "bench", "start": 0, "end": 60, "batch": None},
        {"job": "short", "index": 0, "resource": "bench", "start": 60, "end": 65, "batch": None},
    ]
    saved = solve(
        parse_problem(one_bench(("long", 60, 400), ("short", 5, 40))), work=300, previous=before
    )
    assert not saved["kept"]
    assert saved["objective"]["late_jobs"] == 0
    # Both are late whatever is done; the other order saves 55 minutes of tardiness.
    late = parse_problem(one_bench(("long", 60, 1), ("short", 5, 1)))
    assert solve(late, work=300, previous=before, gain=60.0)["kept"]
    assert not solve(late, work=300, previous=before, gain=50.0)["kept"]


def test_what_is_new_is_put_in_and_the_others_keep_their_order():
    day = instances.office_day(4, 10, 2)
    for job in day["jobs"]:
        job["due"] += 2000
    first = solve(parse_problem(day), work=500)
    newer = copy.deepcopy(day)
    newer["jobs"].append({**day["jobs"][3], "id": "new", "group": None})
    plan = solve(parse_problem(newer), work=500, seed=2, previous=first["steps"], gain=5.0)
    assert plan["kept"]
    assert not violations(newer, plan)
    old = {job["id"] for job in day["jobs"]}
    moved = sum(order_of(plan, old)[r] != order_of(first)[r] for r in order_of(first))
    assert moved == 0


def test_plans_kept_through_a_day_of_events_are_good():
    kept = 0
    for seed in range(60):
        data = random_bench(seed)
        plan = solve(parse_problem(data), work=100)
        changed = copy.deepcopy(data)
        gone = {item["job"] for item in plan["infeasible"]}
        rows = sorted(plan["steps"], key=lambda s: s["start"])
        for row in rows[: len(rows) // 3]:  # what came first is over by now
            job = next(j for j in changed["jobs"] if j["id"] == row["job"])
            for step in job["steps"][: row["index"] + 1]:
                step["done"] = True
                step.pop("started", None)
        extra = copy.deepcopy(data["jobs"][-1])
        extra["id"] = "new"
        for step in extra["steps"]:
            step.pop("started", None)
            step["done"] = False
        changed["jobs"].append(extra)
        again = solve(parse_problem(changed), work=100, previous=plan["steps"], gain=10.0)
        if not again["infeasible"] and not gone:
            assert not violations(changed, again), seed
            kept += again["kept"]
    assert kept > 10


def test_without_time_what_is_new_comes_last_and_nothing_is_lost():
    data = instances.office_day(2, 8)
    before = solve(parse_problem(data), work=300)
    known = {f"arch {k}" for k in range(5)}
    rows = [row for row in before["steps"] if row["job"] in known]
    work = openwork.open_work(parse_problem(data))
    looking = search.Search(work, "promises", 1, forward=0.0)
    spent = search.Budget(time.monotonic(), 0.0)
    kept = looking.keep(rows, spent)
    assert kept is not None
    plan = report.plan_of(looking, kept.state, set())
    assert violations(data, {**plan, "infeasible": [], "lower_bound": 0.0}) == []
    assert len(plan["steps"]) == len(work.steps)
    unhurried = looking.keep(rows, search.Budget(None))
    assert unhurried.value[LATE] <= kept.value[LATE]


def test_where_too_little_time_is_left_a_spent_budget_leaves_out_no_more_than_the_bench():
    data = instances.office_day(3, 30)
    for resource in data["resources"]:
        resource["open"] = [[0, 240]]
    hurried = solve(parse_problem(data), seconds=0.0)
    assert violations(data, hurried) == []
    assert 0 < len(hurried["infeasible"]) <= len(plan_at_once(parse_problem(data))["infeasible"])

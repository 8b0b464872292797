"""The checker finds every kind of broken plan, and passes good ones."""

import copy

import pytest

from production.planning import plan as plan_at_once
from production.planning.problem import parse_problem
from production.planning.solve import solve
from production.planning.solve.checker import violations

PROBLEM = {
    "objective": "promises",
    "resources": [
        {"id": "P", "kind": "print", "batch": True, "capacity": 2, "open": [[0, 100], [200, 400]]},
        {"id": "F", "kind": "form", "down": [[70, 80]], "setup": 5},
        {"id": "B", "kind": "bench", "capacity": 2},
        {"id": "W", "kind": "who", "open": [[0, 900]]},
    ],
    "jobs": [
        {
            "id": name,
            "due": 150 + 20 * k,
            "release": 3 * k,
            "group": "pair" if k < 2 else None,
            "steps": [
                {
                    "kind": "print",
                    "minutes": 40,
                    "family": "a" if k < 3 else "b",
                    "attended": False,
                },
                {"kind": "form", "minutes": 7, "family": "a" if k % 2 else "b"},
                {"kind": "bench", "minutes": 12, "needs": ["who"]},
            ],
        }
        for k, name in enumerate("abcd")
    ],
}


@pytest.fixture(scope="module")
def plan():
    found = solve(parse_problem(PROBLEM), work=2000)
    assert violations(PROBLEM, found) == []
    return found


def entry(plan, job, index):
    return next(s for s in plan["steps"] if s["job"] == job and s["index"] == index)


def shift(plan, job, index, minutes):
    step = entry(plan, job, index)
    step["start"] += minutes
    step["end"] += minutes


def late_print(plan):
    for job in "abcd":
        shift(plan, job, 0, 120 - entry(plan, job, 0)["start"])


def overfull(plan):
    shared = {"batch": 1, "start": 0, "end": 40, "resource": "P"}
    for job in "abc":
        entry(plan, job, 0).update(shared)


def split_batch(plan):
    pair = next(s for s in plan["steps"] if s["batch"])
    pair["end"] += 1


def all_at_the_bench_at_once(plan):
    for job in "abcd":
        entry(plan, job, 2).update(start=700, end=712)


def into_the_downtime(plan):
    entry(plan, "d", 1).update(start=68, end=75)


BREAKS = {
    "not planned": lambda p: p["steps"].remove(entry(p, "a", 2)),
    "planned twice": lambda p: p["steps"].append(dict(entry(p, "a", 2))),
    "not in the problem": lambda p: entry(p, "a", 2).update(job="nobody"),
    "is not in the problem": lambda p: entry(p, "a", 2).update(resource="nowhere"),
    "may not run on": lambda p: entry(p, "a", 2).update(resource="F"),
    "before step": lambda p: shift(p, "a", 2, -300),
    "should last": lambda p: entry(p, "a", 2).update(end=entry(p, "a", 2)["end"] + 1),
    "lasts": lambda p: entry(p, "a", 2).update(end=entry(p, "a", 2)["end"] - 1),
    "outside the open time": late_print,
    "exceeds the capacity": overfull,
    "does not start and end with its batch": split_batch,
    "without a batch": lambda p: entry(p, "a", 0).update(batch=None),
    "is loaded with": all_at_the_bench_at_once,
    "is down": into_the_downtime,
    "are held at": all_at_the_bench_at_once,
    "stated": lambda p: p["objective"].update(makespan=1),
    "exceeds the value": lambda p: p.update(lower_bound=99),
    "its release": lambda p: entry(p, "d", 0).update(start=0, end=40),
}


@pytest.mark.parametrize("words", BREAKS)
def test_a_broken_plan_is_found_out(plan, words):
    broken = copy.deepcopy(plan)
    BREAKS[words](broken)
    assert any(words in line for line in violations(PROBLEM, broken))


def test_families_may_not_share_a_batch_and_need_set_up_between_them():
    problem = {
        "resources": [{"id": "P", "kind": "p", "batch": True, "capacity": 9, "setup": 10}],
        "jobs": [
            {"id": f, "steps": [{"kind": "p", "minutes": 5, "family": f}]} for f in ("x", "y")
        ],
    }
    plan = solve(parse_problem(problem), work=100)
    assert plan["objective"]["makespan"] == 20
    together = copy.deepcopy(plan)
    for step in together["steps"]:
        step.update(start=0, end=5, batch=1)
    assert any("family" in line for line in violations(problem, together))
    hasty = copy.deepcopy(plan)
    hasty["steps"][1].update(start=6, end=11)
    assert any("set-up" in line for line in violations(problem, hasty))


def test_more_may_run_than_there_are_people_for_when_a_mark_was_forgotten():
    def trim(**more):
        return {"kind": "trim", "minutes": 30, "needs": ["who"], **more}

    problem = {
        "resources": [{"id": "T", "kind": "trim", "capacity": 3}, {"id": "W", "kind": "who"}],
        "jobs": [
            {"id": "done really", "steps": [trim(started=-10, resource="T", minutes=90)]},
            {"id": "in hand", "steps": [trim(started=-10, resource="T")]},
            {"id": "next", "steps": [trim()]},
        ],
    }
    problem["jobs"].reverse()
    for found in (plan_at_once(parse_problem(problem)), solve(parse_problem(problem), work=100)):
        assert violations(problem, found) == []
    held_twice = copy.deepcopy(found)
    problem["jobs"].append({"id": "other", "steps": [trim()]})
    held_twice["steps"].append(entry(held_twice, "next", 0) | {"job": "other"})
    assert any("are held at" in line for line in violations(problem, held_twice))


def test_what_runs_already_must_stay():
    problem = {
        "resources": [{"id": "M", "kind": "m"}],
        "jobs": [
            {"id": "a", "steps": [{"kind": "m", "minutes": 30, "started": -10, "resource": "M"}]},
            {"id": "b", "steps": [{"kind": "m", "minutes": 5}]},
        ],
    }
    plan = solve(parse_problem(problem), work=100)
    assert violations(problem, plan) == []
    assert [(s["job"], s["start"], s["end"]) for s in plan["steps"]] == [
        ("a", -10, 20),
        ("b", 20, 25),
    ]
    moved = copy.deepcopy(plan)
    entry(moved, "a", 0).update(start=0, end=30)
    assert any("has started" in line for line in violations(problem, moved))
    rushed = copy.deepcopy(plan)
    entry(rushed, "b", 0).update(start=0, end=5)
    assert violations(problem, rushed)


def test_what_runs_of_a_job_that_cannot_be_finished_holds_its_machine():
    running = {"kind": "m", "minutes": 30, "started": -10, "resource": "M"}
    problem = {
        "objective": "makespan",
        "resources": [{"id": "M", "kind": "m"}, {"id": "N", "kind": "n", "open": [[0, 50]]}],
        "jobs": [
            {"id": "lost", "due": 90, "steps": [running, {"kind": "n", "minutes": 60}]},
            {"id": "b", "due": 40, "steps": [{"kind": "m", "minutes": 5}]},
        ],
    }
    for plan in (plan_at_once(parse_problem(problem)), solve(parse_problem(problem), work=100)):
        assert violations(problem, plan) == []
        assert [item["job"] for item in plan["infeasible"]] == ["lost"]
        assert [(s["job"], s["start"], s["end"]) for s in plan["steps"]] == [("b", 20, 25)]
        assert plan["objective"]["makespan"] == plan["objective"]["value"] == 25
    moved = copy.deepcopy(plan)
    entry(moved, "b", 0).update(start=0, end=5)
    assert any("job lost" in line or "job b" in line for line in violations(problem, moved)[:-2])


def test_work_of_no_duration_may_lie_at_the_close_but_nothing_begins_there():
    for minutes, found in ((0, 0), (3, 1)):
        step = {"kind": "a", "minutes": minutes, "attended": False}
        problem = {
            "resources": [{"id": "r", "kind": "a", "open": [[0, 60]]}],
            "jobs": [{"id": "j", "steps": [step]}],
        }
        entry = {"job": "j", "index": 0, "resource": "r", "start": 60, "end": 60 + minutes}
        goal = {"value": 0, "late_jobs": 0, "weighted_tardiness": 0, "makespan": 60 + minutes}
        told = {"steps": [entry | {"batch": None}], "objective": goal, "proved_optimal": False}
        assert len(violations(problem, told)) == found

"""The checker finds every kind of broken plan, and passes good ones."""

import copy

import pytest

from production.planning import plan as plan_at_once
from production.planning.problem import parse_problem
from production.planning.solve import solve
from production.planning.solve.check.checker import violations

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


def helped(**more):
    """Two trims at two places at once, of which somebody has to hold each."""
    people = [{"id": "ann", "kind": "who"}, {"id": "bo", "kind": "who"}]
    for person in people:
        person.update(more.get(person["id"], {}))
    steps = more.get("steps") or [{"kind": "trim", "minutes": 30, "needs": ["who"]}]
    problem = {
        "objective": "makespan",
        "resources": [{"id": "T", "kind": "trim", "capacity": 2}, *people],
        "jobs": [{"id": name, "steps": copy.deepcopy(steps)} for name in "xy"],
    }
    rows = [
        {"job": name, "index": 0, "resource": "T", "start": 0, "end": 30, "batch": None}
        for name in "xy"
    ]
    figures = {"value": 30, "late_jobs": 0, "weighted_tardiness": 0, "makespan": 30}
    return problem, {"steps": rows, "objective": figures, "proved_optimal": False}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"bo": {"open": [[60, 90]]}}, "is free"),  # one is at table while both would be held
        ({"bo": {"open": [[0, 20], [25, 90]]}}, "is free"),  # a break in the middle
        ({"bo": {"down": [[10, 15]]}}, "is free"),
        ({"ann": {"down": [[0, 90]]}, "bo": {"down": [[0, 90]]}}, "is there"),
        (  # one who has both skills is one person all the same
            {
                "bo": {"kind": "other", "skills": ["who"]},
                "ann": {"open": []},
                "steps": [{"kind": "trim", "minutes": 30, "needs": ["who", "other"]}],
            },
            "is free for it",
        ),
    ],
)
def test_helpers_are_people_who_are_there_and_help_one_at_a_time(change, words):
    problem, plan = helped()
    assert violations(problem, plan) == []
    problem, plan = helped(**change)
    assert any(words in line for line in violations(problem, plan))


def test_who_runs_a_step_as_a_machine_cannot_help_another_then():
    problem, plan = helped()
    problem["jobs"].append({"id": "z", "steps": [{"kind": "who", "minutes": 30}]})
    row = {"job": "z", "index": 0, "resource": "bo", "start": 0, "end": 30, "batch": None}
    plan["steps"].append(row)
    assert any("is free" in line for line in violations(problem, plan))
    row.update(start=30, end=60)
    plan["objective"].update(value=60, makespan=60)
    assert violations(problem, plan) == []


def test_a_batch_holds_its_helper_as_long_as_any_member_asks_for():
    def wash(hands):
        return {"kind": "wash", "minutes": 30, "attended": False, "needs": ["who"], "hands": hands}

    problem = {
        "objective": "makespan",
        "resources": [
            {"id": "W", "kind": "wash", "batch": True, "capacity": 2},
            {"id": "V", "kind": "wash", "batch": True, "capacity": 1},
            {"id": "ann", "kind": "who"},
        ],
        "jobs": [{"id": k, "steps": [wash(hands)]} for k, hands in enumerate((2, 20, 5))],
    }
    rows = [
        {"job": k, "index": 0, "resource": "WWV"[k], "start": t, "end": t + 30, "batch": b}
        for k, t, b in ((0, 0, 1), (1, 0, 1), (2, 5, 2))
    ]
    plan = {
        "steps": rows,
        "objective": {"value": 35, "late_jobs": 0, "weighted_tardiness": 0, "makespan": 35},
    }
    assert any("are held at 5" in line for line in violations(problem, plan))
    rows[2].update(start=20, end=50)
    plan["objective"].update(value=50, makespan=50)
    assert violations(problem, plan) == []


def test_times_that_are_no_numbers_and_false_proofs_are_found_out(plan):
    lost = copy.deepcopy(plan)
    entry(lost, "a", 2).update(start=float("nan"), end=float("nan"))
    assert any("no numbers" in line for line in violations(PROBLEM, lost))
    boast = copy.deepcopy(plan)
    boast["objective"]["value"] = boast["objective"]["late_jobs"] = 3
    boast.update(proved_optimal=True, lower_bound=0)
    assert any("proved" in line for line in violations(PROBLEM, boast))


def test_no_job_is_left_out_that_could_be_made_when_all_else_is_over(plan):
    short = copy.deepcopy(plan)
    short["steps"] = [step for step in short["steps"] if step["job"] != "d"]
    short["infeasible"] = [{"job": "d", "reason": "no open time left"}]
    assert any("left out" in line for line in violations(PROBLEM, short))
    never = copy.deepcopy(PROBLEM)
    never["jobs"][3]["steps"][2]["needs"] = ["who", "nobody"]
    assert not any("left out" in line for line in violations(never, short))


def test_jobs_that_stand_in_each_others_way_are_not_left_out_together():
    """One hour is left for a and b of 40 minutes each: one of them can be made."""
    problem = {
        "objective": "makespan",
        "resources": [{"id": "M", "kind": "m"}, {"id": "N", "kind": "n", "open": [[0, 60]]}],
        "jobs": [
            {"id": name, "steps": [{"kind": "m", "minutes": 15}, {"kind": "n", "minutes": 40}]}
            for name in "ab"
        ],
    }
    problem["jobs"].append({"id": "c", "steps": [{"kind": "n", "minutes": 20}]})
    for found in (plan_at_once(parse_problem(problem)), solve(parse_problem(problem), work=200)):
        assert violations(problem, found) == []
        assert len(found["infeasible"]) <= 2


def test_a_step_that_needs_two_skills_of_one_person_says_so():
    problem = {
        "resources": [{"id": "M", "kind": "m"}, {"id": "ann", "kind": "fast", "skills": ["fine"]}],
        "jobs": [{"id": "a", "steps": [{"kind": "m", "minutes": 5, "needs": ["fast", "fine"]}]}],
    }
    for found in (plan_at_once(parse_problem(problem)), solve(parse_problem(problem), work=100)):
        (left,) = found["infeasible"]
        assert "too few people" in left["reason"]
        assert left["cause"] == {"kind": "too_few", "names": ["fast", "fine"], "step": 0}
        assert violations(problem, found) == []


def test_what_takes_no_room_still_stands_in_a_machine_that_needs_set_up():
    problem = {
        "resources": [{"id": "M", "kind": "m", "capacity": 2, "setup": 5}],
        "jobs": [
            {"id": f, "steps": [{"kind": "m", "minutes": 17, "family": f, "size": size}]}
            for f, size in (("a", 0), ("b", 0.5))
        ],
    }
    for found in (plan_at_once(parse_problem(problem)), solve(parse_problem(problem), work=100)):
        assert violations(problem, found) == []
        assert found["objective"]["makespan"] == 39


def test_who_alone_has_a_skill_is_not_taken_for_what_others_can_do():
    people = [{"id": "ann", "kind": "hand", "skills": ["fast"]}, {"id": "bo", "kind": "hand"}]
    people.append({"id": "cy", "kind": "hand", "skills": ["fine"]})
    steps = [{"kind": "m", "minutes": 5, "needs": ["hand", "fine", "fast"]}]
    problem = {
        "resources": [{"id": "M", "kind": "m"}, *people],
        "jobs": [{"id": "a", "due": 10, "steps": steps}],
    }
    for there, needs in ((people, ["hand", "fine", "fast"]), (people[::2], ["hand", "fast"])):
        problem["resources"][1:] = there
        steps[0]["needs"] = needs
        parsed = parse_problem(problem)
        for found in (plan_at_once(parsed), solve(parsed, work=100)):
            assert found["infeasible"] == []
            assert violations(problem, found) == []


def test_a_plan_stands_beside_a_run_of_other_material_that_it_leaves_out():
    """Both were marked as started in the same minute; the second can never be finished."""
    problem = {
        "resources": [{"id": "P", "kind": "print", "batch": True, "capacity": 4}],
        "jobs": [
            {
                "id": name,
                "steps": [
                    {"kind": "print", "minutes": k, "family": name, "started": 0, "resource": "P"},
                    *([{"kind": "none", "minutes": 1}] if name == "b" else []),
                ],
            }
            for k, name in ((20, "a"), (30, "b"))
        ],
    }
    for found in (plan_at_once(parse_problem(problem)), solve(parse_problem(problem), work=100)):
        assert [item["job"] for item in found["infeasible"]] == ["b"]
        assert violations(problem, found) == []

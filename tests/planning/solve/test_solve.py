"""Plans are feasible, repeatable, never worse than the rules, and best where that is known."""

import itertools
import json
import random

import pytest

from production.planning.dispatch import dispatch_plan
from production.planning.problem import parse_problem
from production.planning.solve import solve
from production.planning.solve.check.checker import violations
from production.planning.solve.sequences import openwork, search, start
from production.planning.solve.sequences.timing import LATE, LEAD, SPAN, TARDY
from tests.planning.solve import instances


def planned(problem, work=2000, **options):
    plan = solve(parse_problem(problem), work=work, **options)
    assert violations(problem, plan) == []
    return plan


@pytest.mark.parametrize("block", range(4))
def test_plans_of_random_days_obey_every_rule(block):
    for seed in range(block * 100, block * 100 + 100):
        problem = instances.wild_day(seed)
        plan = solve(parse_problem(problem), work=150)
        assert violations(problem, plan) == [], seed


def test_the_same_problem_seed_and_work_give_the_same_bytes():
    for seed in (3, 4):
        problem = instances.office_day(seed, 6)
        first = json.dumps(solve(parse_problem(problem), work=3000, seed=5))
        assert json.dumps(solve(parse_problem(problem), work=3000, seed=5)) == first


@pytest.mark.parametrize("objective", ["promises", "weighted_tardiness", "makespan"])
def test_a_plan_is_never_worse_than_any_dispatch_rule(objective):
    for seed in range(4):
        problem = instances.office_day(seed, 10, 1 + seed % 2, objective)
        plan = planned(problem, work=1500)
        work = openwork.open_work(parse_problem(problem))
        looking = search.Search(work, objective, 1)
        bench = start.Bench(work)
        goal = plan["objective"]
        for rule in bench.rules().values():
            for wait in bench.waits():
                value = looking.value(bench.state(bench.run(rule, wait)))
                if objective == "makespan":
                    assert goal["makespan"] <= value[SPAN] + 1e-6
                elif objective == "weighted_tardiness":
                    assert goal["weighted_tardiness"] <= value[TARDY] + 1e-6
                else:
                    mine = (goal["late_jobs"], goal["weighted_tardiness"])
                    assert mine <= (value[LATE], value[TARDY] + 1e-6)


@pytest.mark.parametrize("objective", ["promises", "weighted_tardiness", "makespan"])
def test_without_time_the_plan_is_still_no_worse_than_the_plan_at_once(objective):
    problem = parse_problem(instances.office_day(680, 400, 3, objective))
    at_once, hurried = dispatch_plan(problem), solve(problem, seconds=0.0)
    assert at_once["infeasible"] == hurried["infeasible"] == []
    names = {"promises": ("late_jobs", "weighted_tardiness"), "makespan": ("makespan",)}
    mine, other = (
        [plan["objective"][name] for name in names.get(objective, ("weighted_tardiness",))]
        for plan in (hurried, at_once)
    )
    assert mine <= other


def test_one_machine_is_solved_as_well_as_by_trying_every_order():
    rnd = random.Random(7)
    for _ in range(6):
        n = 6
        minutes = [rnd.randrange(1, 30) for _ in range(n)]
        weights = [rnd.randrange(1, 10) for _ in range(n)]
        due = [rnd.randrange(5, 90) for _ in range(n)]
        problem = instances.one_machine(minutes, weights, due)
        best_tardy, best_late = float("inf"), (n, float("inf"))
        for order in itertools.permutations(range(n)):
            t, tardy, late = 0, 0, 0
            for k in order:
                t += minutes[k]
                tardy += weights[k] * max(0, t - due[k])
                late += t > due[k]
            best_tardy = min(best_tardy, tardy)
            best_late = min(best_late, (late, tardy))
        plan = planned(problem, work=20000)
        assert plan["objective"]["value"] == best_tardy
        assert plan["proved_optimal"]
        assert plan["lower_bound"] == best_tardy
        plan = planned(problem | {"objective": "promises"}, work=20000)
        goal = plan["objective"]
        assert (goal["late_jobs"], goal["weighted_tardiness"]) == best_late


def batch_makespan(minutes, capacity, partition):
    return sum(max(minutes[k] for k in part) for part in partition if part)


def partitions(items, capacity):
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for count in range(min(capacity, len(items))):
        for company in itertools.combinations(rest, count):
            left = [x for x in rest if x not in company]
            for tail in partitions(left, capacity):
                yield [[first, *company], *tail]


def test_a_batch_machine_is_solved_as_well_as_by_trying_every_partition():
    rnd = random.Random(3)
    for capacity in (2, 3):
        minutes = [rnd.randrange(1, 40) for _ in range(7)]
        best = min(
            batch_makespan(minutes, capacity, p) for p in partitions(list(range(7)), capacity)
        )
        plan = planned(instances.one_batch_machine(minutes, capacity), work=20000)
        assert plan["objective"]["makespan"] == best
        assert plan["proved_optimal"]


def test_a_plate_waits_for_a_late_scan_when_that_keeps_both_promises():
    step = [{"kind": "p", "minutes": 60, "attended": False}]
    problem = {
        "resources": [{"id": "P", "kind": "p", "batch": True, "capacity": 2}],
        "jobs": [
            {"id": "early", "due": 90, "steps": step},
            {"id": "late", "release": 20, "due": 90, "steps": step},
        ],
    }
    plan = planned(problem)
    assert [(s["start"], s["batch"]) for s in plan["steps"]] == [(20, 1), (20, 1)]
    assert plan["objective"]["late_jobs"] == 0
    assert plan["proved_optimal"]


def test_a_machine_idles_on_purpose_for_a_pressing_job():
    problem = {
        "objective": "weighted_tardiness",
        "resources": [{"id": "M", "kind": "m"}],
        "jobs": [
            {"id": "long", "steps": [{"kind": "m", "minutes": 50}]},
            {
                "id": "soon",
                "release": 5,
                "due": 20,
                "weight": 9,
                "steps": [{"kind": "m", "minutes": 15}],
            },
        ],
    }
    plan = planned(problem)
    assert plan["objective"]["weighted_tardiness"] == 0
    assert plan["steps"][0]["job"] == "soon"


def test_a_group_is_as_late_as_its_last():
    problem = {
        "resources": [{"id": "M", "kind": "m"}],
        "jobs": [
            {
                "id": "a",
                "due": 10,
                "group": "g",
                "weight": 2,
                "steps": [{"kind": "m", "minutes": 5}],
            },
            {
                "id": "b",
                "due": 15,
                "group": "g",
                "weight": 1,
                "steps": [{"kind": "m", "minutes": 15}],
            },
        ],
    }
    goal = planned(problem)["objective"]
    assert goal["late_jobs"] == 2
    assert goal["weighted_tardiness"] == 2 * 10 + 1 * 5


def test_attended_work_stays_inside_one_window_and_unattended_starts_in_one():
    def day(attended):
        return {
            "objective": "makespan",
            "resources": [{"id": "M", "kind": "m", "open": [[0, 30], [100, 160]]}],
            "jobs": [{"id": "a", "steps": [{"kind": "m", "minutes": 40, "attended": attended}]}],
        }

    assert planned(day(True))["steps"][0]["start"] == 100
    assert planned(day(False))["steps"][0]["start"] == 0


@pytest.mark.parametrize(
    ("resources", "steps", "words"),
    [
        ([], [{"kind": "m", "minutes": 5}], "no resource of kind 'm'"),
        ([{"id": "M", "kind": "m", "open": []}], [{"kind": "m", "minutes": 5}], "no open time"),
        (
            [{"id": "M", "kind": "m", "open": [[0, 4]]}],
            [{"kind": "m", "minutes": 5}],
            "no open time",
        ),
        (
            [{"id": "M", "kind": "m", "batch": True, "capacity": 2}],
            [{"kind": "m", "minutes": 5, "size": 3}],
            "exceeds the capacity",
        ),
    ],
)
def test_a_job_that_can_never_be_made_is_named_with_the_reason(resources, steps, words):
    free = {"id": "X", "kind": "x"}
    problem = {
        "resources": [*resources, free],
        "jobs": [{"id": "a", "steps": steps}, {"id": "b", "steps": [{"kind": "x", "minutes": 1}]}],
    }
    plan = planned(problem)
    assert [item["job"] for item in plan["infeasible"]] == ["a"]
    assert words in plan["infeasible"][0]["reason"]
    assert [s["job"] for s in plan["steps"]] == ["b"]


@pytest.mark.parametrize("lists", [{"rule": "order", "order": ["a"]}, {"hasten": ["b", "a"]}])
def test_a_rule_may_name_a_job_that_can_never_be_made(lists):
    problem = {
        "resources": [{"id": "X", "kind": "x"}],
        "jobs": [{"id": k, "steps": [{"kind": kind, "minutes": 1}]} for k, kind in ("am", "bx")],
        "policy": lists,
    }
    plan = planned(problem)
    assert [item["job"] for item in plan["infeasible"]] == ["a"]
    assert [s["job"] for s in plan["steps"]] == ["b"]


def test_a_calendar_with_too_little_time_left_leaves_out_as_little_as_possible():
    problem = {
        "resources": [{"id": "M", "kind": "m", "open": [[0, 60], [100, 130]]}],
        "jobs": [{"id": k, "due": 500, "steps": [{"kind": "m", "minutes": 30}]} for k in range(5)],
    }
    plan = planned(problem)
    assert len(plan["infeasible"]) == 2
    assert "no open time left for it beside the other work" in plan["infeasible"][0]["reason"]


def test_other_work_is_not_blamed_where_a_job_would_not_fit_alone_either():
    steps = [{"kind": "m", "minutes": 30}, {"kind": "m", "minutes": 40}]
    problem = {
        "resources": [{"id": "M", "kind": "m", "open": [[0, 60]]}],
        "jobs": [{"id": "long", "steps": steps}, {"id": "short", "steps": steps[:1]}],
    }
    (left,) = planned(problem)["infeasible"]
    assert left["job"] == "long"
    assert "no open time left for all its steps" in left["reason"]


def test_days_with_nothing_to_do():
    assert planned({"resources": [], "jobs": []})["steps"] == []
    done = {"id": "a", "steps": [{"kind": "m", "minutes": 5, "done": True}]}
    plan = planned({"resources": [], "jobs": [done]})
    assert plan["steps"] == []
    assert plan["proved_optimal"]


def test_steps_of_no_duration_and_overdue_runs():
    problem = {
        "objective": "makespan",
        "resources": [{"id": "M", "kind": "m"}],
        "jobs": [
            {"id": "a", "steps": [{"kind": "m", "minutes": 0}, {"kind": "m", "minutes": 0}]},
            {"id": "b", "steps": [{"kind": "m", "minutes": 10, "started": -40, "resource": "M"}]},
        ],
    }
    assert planned(problem)["objective"]["makespan"] == 0


def test_lead_time_counts_last():
    problem = {
        "resources": [{"id": "M", "kind": "m"}],
        "jobs": [
            {"id": k, "due": 500, "steps": [{"kind": "m", "minutes": p}]}
            for k, p in enumerate([30, 10, 20])
        ],
    }
    plan = planned(problem)
    assert [s["job"] for s in plan["steps"]] == [1, 2, 0]
    assert plan["proved_optimal"]
    work = openwork.open_work(parse_problem(problem))
    looking = search.Search(work, "promises", 1)
    bench = start.Bench(work)
    value = looking.value(bench.state(bench.run(bench.rules()["shortest"], 0.0)))
    assert value[LEAD] == 10 + 30 + 60

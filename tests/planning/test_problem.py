"""What a planning problem may say, and the words for what it may not."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import pytest

from production.planning import foresee, parse_problem, plan, quote
from production.planning.errors import ProblemError
from production.planning.reasons import ABSENT, CLOSED, TOO_LARGE
from production.planning.solve import solve
from production.planning.solve.check.checker import violations

GOOD: dict[str, Any] = {
    "objective": "promises",
    "resources": [
        {"id": "P", "kind": "print", "capacity": 2, "batch": True, "open": [[0, 60], [90, 200]]},
        {"id": "T", "kind": "trim"},
    ],
    "jobs": [
        {
            "id": "A",
            "due": 100,
            "steps": [
                {"kind": "print", "minutes": 30, "attended": False},
                {"kind": "trim", "minutes": 5},
            ],
        }
    ],
}


def changed(path: str, value: Any) -> dict[str, Any]:
    data = copy.deepcopy(GOOD)
    place: Any = data
    *way, last = path.split("/")
    for name in way:
        place = place[int(name)] if name.isdigit() else place[name]
    place[last] = value
    return data


def test_defaults_are_those_of_the_contract() -> None:
    problem = parse_problem(GOOD)
    step = problem.jobs[0].steps[1]
    assert (step.spread, step.size, step.family, step.attended) == (0, 1, None, True)
    assert (step.done, step.started, step.resource) == (False, None, None)
    assert (problem.jobs[0].release, problem.jobs[0].weight) == (0, 1)
    assert problem.resources[1].open is None
    assert problem.risk_limit == 0.05


@pytest.mark.parametrize(
    ("place", "slip", "meant"),
    [
        ("jobs/0", "relaese", "release"),
        ("jobs/0", "Weight", "weight"),
        ("jobs/0/steps/1", "spred", "spread"),
        ("jobs/0/steps/1", "started_at", "started"),
        ("resources/1", "opne", "open"),
        ("jobs/0/steps/1", "famlly", "family"),
        ("", "risk-limit", "risk_limit"),
    ],
)
def test_a_slip_of_the_pen_in_a_key_is_told_with_the_key_that_was_meant(
    place: str, slip: str, meant: str
) -> None:
    with pytest.raises(ProblemError, match=rf"'{slip}' is not known; write '{meant}'"):
        parse_problem(changed(f"{place}/{slip}".lstrip("/"), 1))


def test_a_promise_under_another_name_is_not_left_out_in_silence() -> None:
    data = copy.deepcopy(GOOD)
    data["jobs"][0]["due_at"] = data["jobs"][0].pop("due")
    with pytest.raises(ProblemError, match="job 'A': 'due_at' is not known; write 'due'"):
        parse_problem(data)


def test_what_others_note_in_a_problem_changes_nothing() -> None:
    data = copy.deepcopy(GOOD) | {"comment": "Monday", "office": {"name": "North"}}
    data["resources"][0] |= {"label": "the big one", "kinds_of_resin": 3}
    data["jobs"][0] |= {"patient": 7, "due_text": "half past two"}
    data["jobs"][0]["steps"][0] |= {"colour": "grey", "side": 1, "state": 2, "start": 3}
    assert parse_problem(data) == parse_problem(GOOD)


def test_an_optional_key_that_is_null_counts_as_absent() -> None:
    data = copy.deepcopy(GOOD) | dict.fromkeys(("objective", "risk_limit", "policy", "clock"))
    data["resources"][1] |= dict.fromkeys(("capacity", "batch", "open", "skills", "setup"))
    data["jobs"][0] |= dict.fromkeys(("release", "weight", "group"))
    data["jobs"][0]["steps"][1] |= dict.fromkeys(
        ("spread", "size", "family", "attended", "done", "started", "resource", "failure")
    )
    assert parse_problem(data) == parse_problem(GOOD)


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("objective", "profit", "objective is 'profit'; use one of"),
        ("resources", None, "problem: resources is missing"),
        ("resources/0/capacity", 0, "resource 'P': capacity is 0; give a number"),
        ("resources/0/batch", 1, "resource 'P': batch is 1; give true or false"),
        ("resources/0/open", [[5, 1]], "open[0]: ends at 1 before it begins at 5"),
        ("resources/0/open", [[5]], "open[0]: expected [from, to]"),
        ("resources/1/id", "P", "resource 'P' occurs twice"),
        ("jobs/0/steps", [], "job 'A': steps is empty"),
        ("jobs/0/due", "noon", "job 'A': due is 'noon'; give a number"),
        ("jobs/0/steps/0/minutes", -3, "job 'A' step 0: minutes is -3"),
        ("jobs/0/steps/0/minutes", float("nan"), "job 'A' step 0: minutes is nan"),
        ("jobs/0/steps/0/minutes", 10**400, "job 'A' step 0: minutes is 1000"),
        ("jobs/0/steps/0/minutes", True, "job 'A' step 0: minutes is True"),
        ("jobs/0/steps/0/spread", 9, "job 'A' step 0: spread is 9"),
        ("jobs/0/steps/0/resource", "Z", "job 'A' step 0: resource 'Z' does not exist"),
        ("jobs/0/steps/0/resource", "T", "resource 'T' is a 'trim', not a 'print'"),
        ("jobs/0/steps/1/done", True, "step 1: done although step 0 is not"),
        ("jobs/0/steps/1/started", -1, "step 1: started although step 0 is not done"),
        ("jobs/0/steps/0/started", 5, "step 0: started 5 lies in the future"),
        ("jobs/0/steps/0/rework", 1, "step 0: rework is 1; give the index"),
    ],
)
def test_bad_problems_are_named_with_place_and_remedy(path: str, value: Any, words: str) -> None:
    with pytest.raises(ProblemError) as caught:
        parse_problem(changed(path, value))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize("data", [None, [], "x", {"resources": []}, {"resources": [1], "jobs": []}])
def test_what_is_no_problem_at_all(data: Any) -> None:
    with pytest.raises(ProblemError):
        parse_problem(data)


@pytest.mark.parametrize("usual", [{}, {"minutes": 0}, {"minutes": 30}])
def test_a_choice_of_machines_takes_the_times_that_are_named(usual: dict[str, float]) -> None:
    step = {"kind": "print", "alternatives": {"slow": 20, "quick": 0}, **usual}
    for open_machine, takes in (("slow", 20.0), ("quick", 0.0)):
        data = {
            "resources": [
                {"id": name, "kind": "print", **({} if name == open_machine else {"open": []})}
                for name in ("slow", "quick")
            ],
            "jobs": [{"id": "A", "steps": [step]}],
        }
        (planned,) = plan(parse_problem(data))["steps"]
        assert (planned["resource"], planned["end"]) == (open_machine, takes)


def test_started_without_a_machine_gets_one_that_is_not_in_use() -> None:
    data = copy.deepcopy(GOOD)
    data["resources"].insert(1, {"id": "P2", "kind": "print"})
    data["jobs"][0]["steps"][0] |= {"started": -5, "resource": "P"}
    other = copy.deepcopy(data["jobs"][0])
    other["id"] = "B"
    other["steps"][0] |= {"started": -3, "resource": None}
    data["jobs"].append(other)
    assert parse_problem(data).jobs[1].steps[0].resource == "P2"


@pytest.mark.parametrize(
    ("path", "value", "kind", "names", "words"),
    [
        ("jobs/0/steps/0/kind", "mill", ABSENT, ["mill"], "no resource of kind 'mill'"),
        ("jobs/0/steps/0/size", 3, TOO_LARGE, ["print"], "exceeds the capacity of every 'print'"),
        ("resources/1/open", [], CLOSED, ["trim"], "no open time left on any 'trim'"),
        ("resources/1/open", [[0, 4]], CLOSED, ["trim"], "no open time left on any 'trim'"),
        ("jobs/0/steps/1/needs", ["doctor"], ABSENT, ["doctor"], "no resource of kind 'doctor'"),
    ],
)
def test_jobs_that_can_never_be_made_are_known_with_the_reason(
    path: str, value: Any, kind: str, names: list[str], words: str
) -> None:
    problem = parse_problem(changed(path, value))
    (told,) = plan(problem)["infeasible"]
    assert told["cause"]["kind"] == kind
    assert told["cause"]["names"] == names
    assert words in told["reason"]
    new = {"id": "new", "steps": changed(path, value)["jobs"][0]["steps"]}
    assert quote(replace(problem, jobs=()), new)["cause"] == told["cause"]
    assert foresee(problem, 10)["infeasible"][0]["cause"] == told["cause"]
    assert solve(problem, work=10)["infeasible"] == [told]
    assert not parse_problem(GOOD).impossible()


@pytest.mark.parametrize("needs", [{}, {"needs": ["hand"], "hands": 30}])
@pytest.mark.parametrize(
    ("windows", "ends"),
    [
        ([[0, 20], [20, 60]], 45),
        ([[20, 60], [0, 5], [5, 20]], 45),
        ([[0, 30], [20, 60]], 45),
        ([[0, 20], [21, 60]], 51),
    ],
)
def test_work_goes_on_from_one_window_into_the_next_that_touches_it(
    windows: list[list[float]], ends: float, needs: dict[str, Any]
) -> None:
    hours = {"open": windows}
    data = {
        "resources": [
            {"id": "T", "kind": "trim", **({} if needs else hours)},
            {"id": "H", "kind": "hand", **hours},
        ],
        "jobs": [
            {"id": "A", "release": 15, "steps": [{"kind": "trim", "minutes": 30, **needs}]},
        ],
    }
    for made in (plan(parse_problem(data)), solve(parse_problem(data), work=100)):
        assert [step["end"] for step in made["steps"]] == [ends]
        assert violations(data, made) == []


@pytest.mark.parametrize(
    ("group", "other", "late"), [(None, {}, 0), ("G", {"done": True}, 0), ("G", {}, 2)]
)
def test_what_was_done_at_no_known_time_was_done_in_time(
    group: str | None, other: dict[str, Any], late: int
) -> None:
    data = copy.deepcopy(GOOD)
    step = {"kind": "trim", "minutes": 5}
    data["jobs"] = [
        {"id": "A", "due": -30, "group": group, "steps": [step | {"done": True}]},
        {"id": "B", "due": -90, "group": group, "steps": [step | other]},
    ][: 1 if group is None else 2]
    for made in (plan(parse_problem(data)), solve(parse_problem(data), work=100)):
        assert made["objective"]["late_jobs"] == late
        assert violations(data, made) == []
    assert foresee(parse_problem(data), 10)["jobs"][0]["p_late"] == 0


def test_of_a_choice_of_closed_machines_the_cause_names_their_kind() -> None:
    data = {
        "resources": [{"id": name, "kind": "print", "open": []} for name in ("slow", "quick")],
        "jobs": [
            {"id": "A", "steps": [{"kind": "print", "alternatives": {"slow": 20, "quick": 10}}]}
        ],
    }
    (left,) = plan(parse_problem(data))["infeasible"]
    assert left["cause"] == {"kind": CLOSED, "names": ["print"], "step": 0}

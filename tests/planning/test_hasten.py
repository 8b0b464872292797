"""Jobs taken before their turn, where that keeps a promise and breaks no other."""

from __future__ import annotations

from typing import Any

import pytest

from production.planning import foresee, parse_problem
from production.planning.errors import ProblemError
from production.planning.hasten import hasten
from production.planning.policy import Rule, named_policy


def bench(dues: list[float], releases: list[float], *, batch: bool) -> Any:
    """One machine, steps of 40 minutes."""
    return {
        "resources": [{"id": "m", "kind": "print", "capacity": 2 if batch else 1, "batch": batch}],
        "jobs": [
            {
                "id": f"J{n}",
                "release": release,
                "due": due,
                "steps": [{"kind": "print", "minutes": 40}],
            }
            for n, (due, release) in enumerate(zip(dues, releases, strict=True))
        ],
    }


def test_a_job_that_cannot_wait_for_a_fuller_plate_waits_no_more() -> None:
    problem = parse_problem(bench([60.0, 500.0], [0.0, 30.0], batch=True))
    waiting = Rule("edd", wait=60.0)
    assert foresee(problem, 50, rule=waiting)["jobs"][0]["p_late"] == 1.0
    found = hasten(problem, waiting)
    assert found.hasten == ("J0",)
    after = foresee(problem, 50, rule=found)["jobs"]
    assert [job["p_late"] for job in after] == [0.0, 0.0]


def test_the_jobs_of_one_hand_over_are_hastened_together() -> None:
    data = bench([400.0, 400.0, 90.0, 90.0], [0.0] * 4, batch=False)
    for job in data["jobs"][2:]:
        job["group"] = "patient"
    found = hasten(parse_problem(data), Rule("fifo"))
    assert found.hasten == ("J2", "J3")


def test_no_promise_is_kept_at_the_cost_of_another() -> None:
    problem = parse_problem(bench([60.0, 60.0], [0.0, 0.0], batch=False))
    assert hasten(problem, Rule("edd")) == Rule("edd")


def test_a_name_that_is_no_job_is_refused_with_its_place() -> None:
    data = bench([60.0], [0.0], batch=False) | {"policy": {"rule": "edd", "hasten": ["J9"]}}
    with pytest.raises(ProblemError, match="policy: hasten names 'J9', which is no job"):
        named_policy(parse_problem(data))
    data["policy"]["hasten"] = ["J0"]
    rule = named_policy(parse_problem(data))
    assert rule is not None
    assert rule.as_json()["hasten"] == ["J0"]

"""Jobs taken before or after their turn, where that keeps promises and breaks no other."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from production.planning import foresee, parse_problem
from production.planning.errors import ProblemError
from production.planning.policy import STANDING, Rule, named_policy
from production.planning.promises.priorities import RULE_FUTURES, SEED, group_risks, prioritise
from production.planning.promises.risk import allowed_risk
from tests.planning.office import Truth, learn, mid_day, morning


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
    found = prioritise(problem, waiting)
    assert found.hasten == ("J0",)
    after = foresee(problem, 50, rule=found)["jobs"]
    assert [job["p_late"] for job in after] == [0.0, 0.0]


def test_the_jobs_of_one_hand_over_are_hastened_together() -> None:
    data = bench([400.0, 400.0, 90.0, 90.0], [0.0] * 4, batch=False)
    for job in data["jobs"][2:]:
        job["group"] = "patient"
    found = prioritise(parse_problem(data), Rule("fifo"))
    assert found.hasten == ("J2", "J3")


def test_no_promise_is_kept_at_the_cost_of_another() -> None:
    problem = parse_problem(bench([60.0, 60.0], [0.0, 0.0], batch=False))
    assert prioritise(problem, Rule("edd")) == Rule("edd")


def test_who_goes_first_may_wait_for_a_fuller_plate_where_another_needs_it() -> None:
    """J0 needs its turn at the trim; were it printed alone, J1 would print after it."""
    data = bench([75.0, 55.0, 500.0, 500.0], [0.0, 10.0, 30.0, 31.0], batch=True)
    data["resources"].append({"id": "t", "kind": "trim"})
    trim = {"kind": "trim", "minutes": 20}
    data["jobs"][0]["steps"].append(trim)
    for job in data["jobs"][2:]:
        job["steps"] = [trim]
    problem = parse_problem(data)
    waiting = Rule("fifo", wait=20.0)
    found = prioritise(problem, waiting)
    assert (found.hasten, found.prefer) == ((), ("J0",))
    for rule, late in (
        (waiting, [1.0, 0.0]),
        (replace(waiting, hasten=("J0",)), [0.0, 1.0]),
        (found, [0.0, 0.0]),
    ):
        told = foresee(problem, 50, rule=rule)["jobs"]
        assert [job["p_late"] for job in told[:2]] == late


def lost_first(due: float) -> Any:
    """Three machines' work in a row; the first promise is lost, and takes the second with it."""
    data = bench([due, 95.0, 135.0], [0.0] * 3, batch=False)
    data["jobs"][0]["steps"] = [{"kind": "print", "minutes": 60}]
    return parse_problem(data)


def test_a_promise_that_is_lost_stands_back_for_others_that_are_kept_by_it() -> None:
    found = prioritise(lost_first(50.0), Rule("edd"))
    assert found.defer == ("J0",)
    late = [job["p_late"] for job in foresee(lost_first(50.0), 50, rule=found)["jobs"]]
    assert late == [1.0, 0.0, 0.0]


def test_two_lost_promises_stand_back_together_where_one_alone_would_help_nobody() -> None:
    data = bench([20.0, 25.0, 45.0, 85.0], [0.0] * 4, batch=False)
    for job in data["jobs"][:2]:
        job["steps"] = [{"kind": "print", "minutes": 30}]
    problem = parse_problem(data)
    found = prioritise(problem, Rule("edd"))
    assert set(found.defer) == {"J0", "J1"}
    late = [job["p_late"] for job in foresee(problem, 50, rule=found)["jobs"]]
    assert late == [1.0, 1.0, 0.0, 0.0]


def test_whoever_waits_already_is_not_put_off() -> None:
    assert prioritise(lost_first(-5.0), Rule("edd")).defer == ()


def test_what_was_deferred_is_asked_anew() -> None:
    problem = parse_problem(bench([60.0, 500.0], [0.0, 0.0], batch=False))
    assert prioritise(problem, Rule("edd", defer=("J0",))).defer == ()


@pytest.mark.parametrize("seed", range(3))
def test_no_promise_ends_up_past_what_one_change_may_add(seed: int) -> None:
    """On mid-day states with promises made at random, several changes one after another."""
    rng, rnd = np.random.default_rng(seed), random.Random(seed)
    truth = Truth()
    fits = learn(seed, truth, days=10)
    problem = mid_day(rng, truth, fits, morning(rnd, fits), 120.0).problem
    before = group_risks(problem, STANDING["promises"])
    found = prioritise(problem, STANDING["promises"], samples=RULE_FUTURES, seed=SEED)
    assert found != STANDING["promises"]
    after = group_risks(problem, found)
    assert all(after[k] <= allowed_risk(before[k], problem.risk_limit) for k in before)
    assert sum(after.values()) < sum(before.values())


def test_a_name_that_is_no_job_is_refused_with_its_place() -> None:
    data = bench([60.0], [0.0], batch=False) | {"policy": {"rule": "edd", "hasten": ["J9"]}}
    with pytest.raises(ProblemError, match="policy: hasten names 'J9', which is no job"):
        named_policy(parse_problem(data))
    for key in ("hasten", "prefer", "defer"):
        data["policy"] = {"rule": "edd", key: ["J0"]}
        rule = named_policy(parse_problem(data))
        assert rule is not None
        assert rule.as_json()[key] == ["J0"]

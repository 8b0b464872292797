"""What is known of work that runs: it has not ended, by the laws of probability."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from production.planning import foresee, parse_problem

SAMPLES = 20_000
CLOSE = 4 * math.sqrt(0.25 / SAMPLES)  # four standard errors


def ended(minutes: float, spread: float, by: float) -> float:
    """Probability that a log-normal duration is over by then."""
    return 0.5 * (1 + math.erf(math.log(by / minutes) / spread / math.sqrt(2)))


def foreseen(resource: dict[str, Any], steps: list[dict[str, Any]], due: float) -> list[float]:
    jobs = [{"id": f"J{i}", "due": due, "steps": [step]} for i, step in enumerate(steps)]
    resources = [{"id": "A", "kind": "print", **resource}, {"id": "B", "kind": "print", **resource}]
    report = foresee(parse_problem({"resources": resources, "jobs": jobs}), SAMPLES, 5)
    return [job["p_late"] for job in report["jobs"]]


def running(minutes: float, spread: float, since: float, **changes: Any) -> dict[str, Any]:
    return {
        "kind": "print", "minutes": minutes, "spread": spread, "attended": False,
        "started": -since, "resource": "A", **changes,
    }  # fmt: skip


@pytest.mark.parametrize("since", [1.0, 30.0, 50.0, 75.0, 130.0])
@pytest.mark.parametrize(
    "members", [((60, 0.3),), ((60, 0.3),) * 4, ((60, 0.3), (40, 0.5), (50, 0))]
)
def test_of_a_plate_that_runs_only_its_longest_member_is_known_to_take_longer(
    members: tuple[tuple[float, float], ...], since: float
) -> None:
    def over(by: float) -> float:
        return float(np.prod([ended(m, s, by) if s else float(m <= by) for m, s in members]))

    steps = [running(m, s, since) for m, s in members]
    expected = (1 - over(since + 15)) / (1 - over(since))
    for p_late in foreseen({"batch": True, "capacity": 4}, steps, 15):
        assert p_late == pytest.approx(expected, abs=CLOSE)


def test_a_running_step_is_judged_by_the_times_of_the_machine_it_runs_on() -> None:
    step = running(30, 0.3, 40, alternatives={"A": 60, "B": 30})
    expected = (1 - ended(60, 0.3, 55)) / (1 - ended(60, 0.3, 40))
    assert foreseen({}, [step], 15)[0] == pytest.approx(expected, abs=CLOSE)


def test_a_run_far_over_its_time_ends_now() -> None:
    steps = [running(1, 0.01, 5000), running(1, 0.01, 5000)]
    assert foreseen({"batch": True, "capacity": 4}, steps, 0.001) == [0.0, 0.0]


def test_a_run_of_no_duration_ends_now() -> None:
    steps = [running(0, 0.3, 5), running(0, 0.3, 5)]
    assert foreseen({"batch": True, "capacity": 4}, steps, 0.001) == [0.0, 0.0]

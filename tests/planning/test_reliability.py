"""The promise record: error, skill and bands."""

from __future__ import annotations

import numpy as np
import pytest

from production.planning.promises.reliability import reliability
from tests.planning.calibration import study


def test_a_worked_example() -> None:
    # Bands 0.1-0.2 (two, none happened) and 0.8-0.9 (two, both): by hand.
    found = reliability([0.1, 0.1, 0.8, 0.8], [False, False, True, True])
    assert found.calibration_error == pytest.approx((2 * 0.1 + 2 * 0.2) / 4)
    assert found.brier == pytest.approx((2 * 0.01 + 2 * 0.04) / 4)
    assert found.skill == pytest.approx(1 - 0.025 / 0.25)
    assert [(b.low, b.count, b.happened) for b in found.bands] == [(0.1, 2, 0.0), (0.8, 2, 1.0)]


def test_true_probabilities_have_little_error_and_false_ones_much() -> None:
    rng = np.random.default_rng(0)
    p = rng.random(5000)
    y = rng.random(5000) < p
    assert reliability(p, y).calibration_error < 0.02
    assert reliability(np.clip(p * 2 - 0.5, 0, 1), y).calibration_error > 0.08


def test_days_that_stand_or_fall_together_widen_the_range() -> None:
    rng = np.random.default_rng(1)
    days = np.repeat(np.arange(50), 20)
    y = np.repeat(rng.random(50) < 0.5, 20)
    alone = reliability(np.full(1000, 0.5), y).calibration_range
    together = reliability(np.full(1000, 0.5), y, days.tolist()).calibration_range
    assert together[1] - together[0] > 2 * (alone[1] - alone[0])


def test_skill_is_unknown_when_nothing_differs() -> None:
    assert reliability([0.2], [False]).skill is None
    with pytest.raises(ValueError, match="one same length"):
        reliability([], [])
    with pytest.raises(ValueError, match="one same length"):
        reliability([0.1], [True], [1, 2])


def test_promise_probabilities_fit_days_not_seen_before() -> None:
    # The full study is tests/benchmarks/bench_calibration.py; here one that is quick.
    found = {name: o.reliability() for name, o in study(72, 5, 120).items()}
    built, halved, dayless = (
        found["as built"],
        found["halved spread"],
        found["no day factor"],
    )
    assert built.skill is not None
    assert built.skill > 0.5
    assert built.predicted == pytest.approx(built.happened, abs=0.08)
    assert built.brier < halved.brier
    assert built.brier < dayless.brier

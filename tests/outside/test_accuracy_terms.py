"""Trueness and precision as ISO 5725-1:2023 defines them.

Trueness: closeness of the mean of many results to the reference. Precision: closeness of
results to each other (standard deviation). RMS² = bias² + SD² (population) is algebra; the
worked example is computed by hand.
"""

import numpy as np
import pytest

from geometry.accuracy import describe_offsets, trueness_and_precision
from geometry.errors import GeometryError


def test_worked_example():
    found = describe_offsets([0.10, -0.10, 0.05, 0.05])
    assert found.bias_mm == pytest.approx(0.025)
    assert found.rms_mm == pytest.approx(0.0790569, abs=1e-6)
    assert found.sd_mm == pytest.approx(0.0750)


def test_rms_is_made_of_bias_and_spread():
    rng = np.random.default_rng(3)
    for _ in range(20):
        d, w = rng.normal(rng.normal(), rng.uniform(0.1, 2), 50), rng.uniform(0.1, 3, 50)
        found = describe_offsets(d, w)
        assert found.rms_mm**2 == pytest.approx(found.bias_mm**2 + found.sd_mm**2)


def test_repeated_results():
    trueness, precision = trueness_and_precision([10.02, 10.04, 10.03], 10.0)
    assert trueness == pytest.approx(0.03)
    assert precision == pytest.approx(0.01)
    assert trueness_and_precision([10.02], 10.0)[1] is None


def test_true_is_not_precise_and_precise_is_not_true():
    true, scattered = trueness_and_precision([9.8, 10.2, 9.9, 10.1], 10.0)
    off, tight = trueness_and_precision([10.30, 10.31, 10.29, 10.30], 10.0)
    assert true < off
    assert tight < scattered


def test_shares_and_percentile():
    found = describe_offsets(np.linspace(-0.5, 0.5, 1001))
    assert found.within["0.10"] == pytest.approx(0.2, abs=0.003)
    assert found.within["0.25"] == pytest.approx(0.5, abs=0.003)
    assert found.within["0.50"] == pytest.approx(1.0)
    assert found.p95_mm == pytest.approx(0.475, abs=0.002)


def test_nothing_measured_is_said():
    with pytest.raises(GeometryError):
        describe_offsets([])
    with pytest.raises(GeometryError):
        trueness_and_precision([], 1.0)

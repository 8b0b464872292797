"""Rates, charts and flow against published constants and worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from production.statistics import (
    capability,
    clopper_pearson,
    difference,
    equipment_effectiveness,
    g_chart,
    individuals_chart,
    little_gap,
    p_chart,
    pareto,
    rolled_yield,
    rule_of_three,
    t_chart,
    wilson,
    xbar_r_chart,
)
from production.statistics.charts import CONSTANTS

REMAKES = [4, 2, 5, 3, 6, 2, 4, 3, 5, 6, 3, 2, 4, 7, 3, 4, 2, 5, 3, 7]


@pytest.mark.parametrize("n", CONSTANTS)
def test_constants_agree_with_the_range_of_normal_samples(n):
    # The definition behind the tables of NIST/SEMATECH e-Handbook 6.3.2 and ASTM MNL 7:
    # d2 is the mean, d3 the standard deviation of the range of n standard normal values.
    d2 = integrate.quad(lambda x: 1 - stats.norm.cdf(x) ** n - stats.norm.sf(x) ** n, -9, 9)[0]

    def second(u, v):
        return (
            1
            - stats.norm.cdf(v) ** n
            - stats.norm.sf(u) ** n
            + (stats.norm.cdf(v) - stats.norm.cdf(u)) ** n
        )

    grid = np.linspace(-7, 7, 701)
    u, v = np.meshgrid(grid, grid, indexing="ij")
    weight = np.where(u < v, 1.0, np.where(u == v, 0.5, 0.0))
    square = 2 * (weight * second(u, v)).sum() * (grid[1] - grid[0]) ** 2
    d3 = math.sqrt(square - d2**2)
    a2, table_d2, low, high = CONSTANTS[n]
    assert table_d2 == pytest.approx(d2, abs=6e-4)
    assert a2 == pytest.approx(3 / (d2 * math.sqrt(n)), abs=6e-4)
    assert high == pytest.approx(1 + 3 * d3 / d2, abs=6e-3)
    assert low == pytest.approx(max(0, 1 - 3 * d3 / d2), abs=6e-3)


def test_p_chart_published_example():
    # D. C. Montgomery, Introduction to Statistical Quality Control, the juice-can example of
    # the chapter on attributes (30 samples of 50; from memory): mean .2313, limits .0524 and
    # .4102, samples 15 and 23 outside.
    cans = [
        12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9,
        12, 7, 13, 9, 6,
    ]  # fmt: skip
    chart = p_chart(cans, [50] * 30)
    assert chart.centre[0] == pytest.approx(0.2313, abs=5e-5)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((0.0524, 0.4102), abs=1e-4)
    outside = [s.index + 1 for s in chart.signals if s.rule == "outside the limits"]
    assert outside == [15, 23]


def test_individuals_chart_published_example():
    # NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2, flow rates of ten batches (from
    # memory): mean 50.81, mean moving range 1.8778, limits 45.8159 and 55.8041.
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    individuals, moving = individuals_chart(flow)
    assert individuals.centre[0] == pytest.approx(50.81)
    assert moving.centre[0] == pytest.approx(1.8778, abs=5e-5)
    assert individuals.lower[0] == pytest.approx(45.8159, abs=2e-3)
    assert individuals.upper[0] == pytest.approx(55.8041, abs=2e-3)
    assert individuals.signals == []


def test_a_new_point_does_not_widen_the_limits_it_is_judged_by():
    # The same ten batches; one after them that lies outside their limits is outside.
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    individuals, moving = individuals_chart([*flow, 56.5], judged=1)
    assert individuals.lower[0] == pytest.approx(45.8159, abs=2e-3)
    assert individuals.upper[-1] == pytest.approx(55.8041, abs=2e-3)
    assert moving.centre[0] == pytest.approx(1.8778, abs=5e-5)
    assert [s.index for s in individuals.signals if "outside" in s.rule] == [10]
    # By limits that it has a part in it would pass.
    assert individuals_chart([*flow, 56.5])[0].signals == []


def test_time_between_events_published_example():
    # Montgomery, as above, failures of a valve (hours between failures and the transformed
    # values beside them; from memory): mean of the transformed values 5.386.
    hours = [
        286, 948, 536, 124, 816, 729, 4, 143, 431, 8, 2837, 596, 81, 227, 603, 492, 1199, 1214,
        2831, 96,
    ]  # fmt: skip
    shaped = [
        4.80986, 6.70903, 5.72650, 3.81367, 6.43541, 6.23705, 1.46958, 3.96768, 5.39007, 1.78151,
        9.09619, 5.89774, 3.38833, 4.51095, 5.91690, 5.59189, 7.16124, 7.18601, 9.09083, 3.55203,
    ]  # fmt: skip
    # The book rounds the power 1/3.6 to 0.2777.
    assert [h**0.2777 for h in hours] == pytest.approx(shaped, abs=2e-4)
    chart = t_chart(hours)
    assert chart.centre[0] ** (1 / 3.6) == pytest.approx(np.mean(shaped), abs=5e-3)
    ranges = np.abs(np.diff(shaped))
    upper = np.mean(shaped) + 3 * ranges.mean() / 1.128
    assert chart.upper[0] ** (1 / 3.6) == pytest.approx(upper, abs=1e-2)
    # In control, as the book says.
    assert chart.lower[0] == 0.0
    assert chart.signals == []


def test_difference_of_two_rates_published_example():
    # R. G. Newcombe, Stat. Med. 17 (1998) 873-890, table II, method 10 (from memory):
    # 56/70 against 48/80; 9/10 against 3/10; 5/56 against 0/29.
    assert difference(56, 70, 48, 80) == pytest.approx((0.0524, 0.3339), abs=1e-4)
    assert difference(9, 10, 3, 10) == pytest.approx((0.1705, 0.8090), abs=1e-4)
    assert difference(5, 56, 0, 29) == pytest.approx((-0.0381, 0.1926), abs=1e-4)
    assert difference(0, 0, 3, 10) == (-1.0, 1.0)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
     (1, 29, 0.0061, 0.1718)],
)  # fmt: skip
def test_wilson_interval_published_examples(k, n, low, high):
    # R. G. Newcombe, Stat. Med. 17 (1998) 857-872, table I, method 3 (from memory).
    assert wilson(k, n) == pytest.approx((low, high), abs=1e-4)


def test_littles_law_published_example():
    # J. D. C. Little and S. C. Graves, "Little's Law", in Building Intuition (2008), the wine
    # cellar (from memory): 160 bottles, eight a month, so each lies 20 months.
    assert little_gap(8, 20, 160) == 0.0
    # Marks are missing: the stays seen are a quarter too short.
    assert little_gap(8, 15, 160) == pytest.approx(-0.25)


def test_p_chart_worked_example():
    # Hand-worked: 20 days of 50, remakes as listed (sum 80).
    chart = p_chart(REMAKES, [50] * 20)
    assert chart.centre[0] == pytest.approx(0.08)
    assert chart.upper[0] == pytest.approx(0.1951, abs=1e-4)
    assert chart.lower[0] == 0
    assert not [s for s in chart.signals if s.rule == "outside the limits"]
    # Nine of fifty stay inside those limits, ten do not.
    assert 9 / 50 < chart.upper[0] < 10 / 50
    raised = p_chart([*REMAKES[:-1], 13], [50] * 20)
    assert [s.index for s in raised.signals if "outside" in s.rule] == [19]


def test_p_chart_limits_follow_the_size_of_each_period():
    # Same mean of 0.08: hand-worked upper limits for sizes 20, 35, 80.
    sizes = [20, 35, 80]
    for size, upper in zip(sizes, [0.26199, 0.21757, 0.17099], strict=True):
        assert 0.08 + 3 * math.sqrt(0.08 * 0.92 / size) == pytest.approx(upper, abs=1e-5)
    chart = p_chart([8, 0, 0], [20, 35, 45])
    mean = 0.08
    for got, size in zip(chart.upper, [20, 35, 45], strict=True):
        assert got == pytest.approx(mean + 3 * math.sqrt(mean * (1 - mean) / size))


def test_individuals_and_moving_range_worked_example():
    # Hand-worked with the published constants 3/d2(2) and D4(2).
    data = [3.10, 3.25, 3.05, 3.40, 3.15, 3.20, 3.30, 3.00, 3.35, 3.20]
    individuals, moving = individuals_chart(data)
    assert individuals.centre[0] == pytest.approx(3.2)
    assert individuals.upper[0] == pytest.approx(3.7616, abs=3e-4)
    assert individuals.lower[0] == pytest.approx(2.6384, abs=3e-4)
    assert moving.upper[0] == pytest.approx(0.6897, abs=2e-4)


def test_mean_and_range_worked_example():
    groups = [
        (10.1, 9.9, 10.0, 10.2, 9.8), (10.0, 10.1, 9.9, 10.0, 10.0), (9.7, 10.0, 10.1, 9.9, 10.3),
        (10.2, 10.1, 10.0, 9.9, 9.8),
    ]  # fmt: skip
    means, ranges = xbar_r_chart(groups)
    assert means.centre[0] == pytest.approx(10.0)
    assert ranges.centre[0] == pytest.approx(0.4)
    assert means.upper[0] == pytest.approx(10.2308, abs=1e-4)
    assert means.lower[0] == pytest.approx(9.7692, abs=1e-4)
    assert ranges.upper[0] == pytest.approx(0.8456, abs=1e-4)


def test_g_chart_limits():
    # Kaminsky et al. 1992: mean ± 3 sqrt(mean (mean + 1)); mean 24 gives 97.48.
    chart = g_chart([20, 28, 24, 24])
    assert chart.upper[0] == pytest.approx(24 + 3 * math.sqrt(24 * 25))
    assert chart.lower[0] == 0


@pytest.mark.parametrize(
    ("k", "n", "low", "high"), [(3, 50, 0.02061, 0.16217), (0, 30, 0.0, 0.11351)]
)
def test_wilson_interval_against_reference_values(k, n, low, high):
    assert wilson(k, n) == pytest.approx((low, high), abs=1e-5)
    reference = stats.binomtest(k, n).proportion_ci(0.95, method="wilson")
    assert wilson(k, n) == pytest.approx((reference.low, reference.high), abs=1e-9)


def test_exact_interval_and_rule_of_three():
    assert clopper_pearson(3, 50) == pytest.approx((0.01255, 0.16548), abs=1e-5)
    reference = stats.binomtest(7, 40).proportion_ci(0.95, method="exact")
    assert clopper_pearson(7, 40) == pytest.approx((reference.low, reference.high), abs=1e-9)
    assert rule_of_three(30) == pytest.approx(0.1)


def test_rolled_throughput_yield_worked_examples():
    assert rolled_yield([0.98, 0.95, 0.97, 0.99, 0.96, 0.98]) == pytest.approx(0.84112, abs=1e-5)
    assert rolled_yield([0.98, 0.99, 0.97, 0.96, 0.995]) == pytest.approx(0.89893, abs=1e-5)


def test_capability_worked_examples():
    wide = capability(0.02, 0.05, -0.2, 0.2)
    assert (wide.cp, wide.cpk) == pytest.approx((1.3333, 1.2), abs=1e-4)
    assert wide.ppm_outside == pytest.approx(164.5, abs=0.5)
    assert capability(0.55, 0.05, 0.4, 0.8).cpk == pytest.approx(1.0)


def test_equipment_effectiveness_worked_example():
    # Planned 480 min, run 420, ideal 9 min a unit, 40 made, 38 good.
    a, p, q, product = equipment_effectiveness(480, 420, 9, 40, 38)
    assert (a, p, q) == pytest.approx((0.875, 0.8571, 0.95), abs=1e-4)
    assert product == pytest.approx(0.7125)


def test_pareto_is_hand_worked():
    rows = pareto({"scan": 2, "print": 5, "trim": 3})
    assert rows == [("print", 5, 0.5), ("trim", 3, 0.8), ("scan", 2, 1.0)]


def test_run_rules_fire_on_runs_and_not_on_noise():
    # Nelson 1984, rules 2 and 3.
    low = p_chart([1] * 9 + [9] * 9, [50] * 18)
    assert any("nine" in s.rule for s in low.signals)
    rising, _ = individuals_chart([1, 2, 3, 4, 5, 6, 3, 3.5, 3])
    assert any(s.index == 5 and "rising" in s.rule for s in rising.signals)
    calm, _ = individuals_chart([3, 4, 3, 4, 3, 4, 3, 4])
    assert calm.signals == []

"""The dispatch kernel against results of queueing and scheduling theory.

Sources
-------
M/M/c and Erlang C: A. K. Erlang 1917; any textbook, e.g. Kleinrock, Queueing Systems I
(1975), sections 3.2 to 3.5 (formulas from memory, values recomputed).
M/G/1: Pollaczek 1930, Khinchine 1932; Kleinrock, section 5.7 (from memory).
Little's law: J. D. C. Little, Operations Research 9 (1961) 383-387.
Johnson's rule: S. M. Johnson, Naval Research Logistics Quarterly 1 (1954) 61-68.
Batch machine, full batches longest first: P. Brucker et al., Journal of Scheduling 1
(1998) 31-54.
"""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from scipy.stats import norm

from production.planning import Rule, foresee, parse_problem, plan
from production.planning.dispatch import expected_times
from production.planning.kernel.future import Draw, Times
from production.planning.kernel.shop import make_shop
from production.planning.policy import kernel_policy

JOBS = 3000
WARM_UP = 600


class Queue:
    """One station with c servers, first come first served, fed with given draws."""

    def __init__(self, servers: int) -> None:
        self.problem = parse_problem(
            {
                "resources": [{"id": f"s{i}", "kind": "serve"} for i in range(servers)],
                "jobs": [
                    {"id": i, "steps": [{"kind": "serve", "minutes": 1}]} for i in range(JOBS)
                ],
            }
        )
        self.shop = make_shop(self.problem)
        self.policy = kernel_policy(self.problem, self.shop, Rule("fifo"))

    def run(self, arrivals: np.ndarray, services: np.ndarray) -> Times:
        ones = np.ones((1, JOBS))
        draw = Draw(services[None, :].copy(), ones, ones, np.ones(1))
        return expected_times(self.shop._replace(release=arrivals), self.policy, draw)


def waits(servers: int, rate: float, service: object, runs: int, seed: int) -> np.ndarray:
    """Return waiting times (runs, jobs) in the queue after the warm-up."""
    queue, rng = Queue(servers), np.random.default_rng(seed)
    found = []
    for _ in range(runs):
        arrivals = np.cumsum(rng.exponential(1 / rate, JOBS))
        times = queue.run(arrivals, service(rng, JOBS))  # type: ignore[operator]
        found.append((times.start - arrivals)[WARM_UP:])
    return np.array(found)


def erlang_c(servers: int, load: float) -> float:
    """Return the probability of waiting in M/M/c."""
    last = load**servers / math.factorial(servers) * servers / (servers - load)
    return last / (sum(load**k / math.factorial(k) for k in range(servers)) + last)


@pytest.mark.parametrize(
    ("servers", "load", "expected"), [(3, 2, 4 / 9), (2, 1, 1 / 3), (10, 6, 0.10130)]
)
def test_erlang_c_values_and_the_share_of_jobs_that_wait(
    servers: int, load: float, expected: float
) -> None:
    assert erlang_c(servers, load) == pytest.approx(expected, abs=5e-6)
    waited = waits(servers, load, lambda rng, n: rng.exponential(1.0, n), 40, seed=servers)
    error = (waited > 1e-9).mean(axis=1).std() / math.sqrt(40)
    assert (waited > 1e-9).mean() == pytest.approx(expected, abs=4 * error)


def test_m_m_1_waits_9_6_minutes_at_20_an_hour_against_25() -> None:
    waited = waits(1, 20 / 60, lambda rng, n: rng.exponential(60 / 25, n), 150, seed=5)
    error = waited.mean(axis=1).std() / math.sqrt(150)
    assert error < 0.4
    assert waited.mean() == pytest.approx(9.6, abs=4 * error)


def test_m_m_2_holds_three_quarters_of_a_job_at_20_an_hour_against_30_each() -> None:
    waited = waits(2, 20 / 60, lambda rng, n: rng.exponential(2.0, n), 60, seed=6)
    in_system = (waited.mean() + 2.0) * 20 / 60  # Little's law
    assert in_system == pytest.approx(0.75, abs=0.01)


@pytest.mark.parametrize("spread", [0.2, 0.6])
def test_m_g_1_with_log_normal_service_follows_pollaczek_and_khinchine(spread: float) -> None:
    rate, median = 0.5, 1.2
    mean = median * math.exp(spread**2 / 2)
    second = median**2 * math.exp(2 * spread**2)
    expected = rate * second / (2 * (1 - rate * mean))
    waited = waits(1, rate, lambda rng, n: rng.lognormal(math.log(median), spread, n), 120, seed=7)
    error = waited.mean(axis=1).std() / math.sqrt(120)
    assert waited.mean() == pytest.approx(expected, abs=4 * error)
    assert error < 0.1 * expected


def test_little_s_law_holds_on_every_path() -> None:
    rng, queue = np.random.default_rng(8), Queue(2)
    arrivals = np.cumsum(rng.exponential(1.0, JOBS))
    times = queue.run(arrivals, rng.lognormal(0.5, 0.4, JOBS))
    moments = np.concatenate([arrivals, times.finish])
    change = np.repeat([1, -1], JOBS)
    order = np.argsort(moments, kind="stable")
    inside = np.cumsum(change[order])[:-1]
    area = float((inside * np.diff(moments[order])).sum())
    span = float(times.finish.max())
    rate, stay = JOBS / span, float((times.finish - arrivals).mean())
    assert area / span == pytest.approx(rate * stay, rel=1e-9)


def test_foresight_of_one_step_is_the_log_normal_tail() -> None:
    for started in (None, -30.0):
        problem = parse_problem(
            {
                "resources": [{"id": "m", "kind": "m"}],
                "jobs": [
                    {
                        "id": "a",
                        "due": 25,
                        "steps": [{"kind": "m", "minutes": 40, "spread": 0.4, "started": started}],
                    }
                ],
            }
        )
        report = foresee(problem, 40000, 3)
        late = norm.sf(math.log((25 - (started or 0)) / 40) / 0.4)
        if started is not None:  # it is known to have lasted 30 minutes already
            late /= norm.sf(math.log(30 / 40) / 0.4)
        error = math.sqrt(late * (1 - late) / 40000)
        assert report["jobs"][0]["p_late"] == pytest.approx(late, abs=4 * error)


def test_foresight_with_a_common_factor_of_the_day() -> None:
    # Two steps that share one factor: ln(duration) of the whole is spread by it fully.
    problem = parse_problem(
        {
            "day_spread": 0.3,
            "resources": [{"id": "m", "kind": "m"}],
            "jobs": [{"id": "a", "due": 70, "steps": [{"kind": "m", "minutes": 30}] * 2}],
        }
    )
    late = norm.sf(math.log(70 / 60) / 0.3)
    error = math.sqrt(late * (1 - late) / 40000)
    assert foresee(problem, 40000, 1)["jobs"][0]["p_late"] == pytest.approx(late, abs=4 * error)


def flow_shop(times: list[tuple[int, int]]) -> dict[str, object]:
    return {
        "objective": "makespan",
        "resources": [{"id": "one", "kind": "one"}, {"id": "two", "kind": "two"}],
        "jobs": [
            {"id": i, "steps": [{"kind": "one", "minutes": a}, {"kind": "two", "minutes": b}]}
            for i, (a, b) in enumerate(times)
        ],
    }


@pytest.mark.parametrize(
    ("times", "order", "makespan"),
    [
        ([(5, 8), (3, 9), (8, 7), (7, 2), (4, 6)], [1, 4, 0, 2, 3], 35),
        ([(12, 22), (4, 5), (5, 3), (15, 16), (10, 8)], [1, 0, 3, 4, 2], 65),
    ],
)
def test_johnson_order_reaches_the_optimal_makespan(
    times: list[tuple[int, int]], order: list[int], makespan: int
) -> None:
    problem = parse_problem(flow_shop(times))
    spans = {
        line: plan(problem, Rule("order", order=line))["objective"]["makespan"]
        for line in permutations(range(len(times)))
    }
    assert spans[tuple(order)] == makespan == min(spans.values())


def test_full_batches_longest_first_on_a_machine_for_two() -> None:
    problem = parse_problem(
        {
            "objective": "makespan",
            "resources": [{"id": "oven", "kind": "cure", "batch": True, "capacity": 2}],
            "jobs": [
                {"id": i, "steps": [{"kind": "cure", "minutes": m}]}
                for i, m in enumerate([9, 8, 7, 5, 4, 3, 2, 1])
            ],
        }
    )
    assert plan(problem)["objective"]["makespan"] == 22

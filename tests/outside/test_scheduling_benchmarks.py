"""Published scheduling benchmarks and textbook rules.

The complete sets, with times, are run by ``manage.py bench solve``.
"""

import itertools

import pytest

from production.planning.problem import parse_problem
from production.planning.solve import solve
from production.planning.solve.check.checker import violations
from tests.planning.solve import instances


def value(problem, work):
    plan = solve(parse_problem(problem), work=work)
    assert violations(problem, plan) == []
    return plan["objective"]["value"]


def test_taillards_generator_gives_the_published_durations():
    # E. Taillard, Benchmarks for basic scheduling problems, EJOR 64 (1993) 278-285.
    first = instances.taillard(instances.TAILLARD_SEEDS[0])[0]
    assert first == [54, 83, 15, 71, 77, 36, 53, 38, 27, 87, 76, 91, 14, 29, 12, 77, 32, 87, 68, 94]


@pytest.mark.parametrize("number", [1, 3, 9])
def test_taillard_20_jobs_5_machines_reach_the_best_known_makespan(number):
    # Best known makespans of permutation schedules: Taillard's published summary. The
    # interface allows other schedules too, which could only be shorter.
    table = instances.taillard(instances.TAILLARD_SEEDS[number - 1])
    assert value(instances.flow_line(table), 40_000) <= instances.TAILLARD_BEST[number - 1]


@pytest.mark.parametrize("number", [4, 11, 25])
def test_or_library_weighted_tardiness_reaches_the_optimum(number):
    # OR-Library (J. E. Beasley), wt40; optimal values published there in wtopt40.
    best = instances.WT40_BEST[number - 1]
    assert value(instances.weighted_tardiness(number), 100_000) == best


def test_brandimarte_mk01_reaches_40():
    # P. Brandimarte, Annals of Operations Research 41 (1993) 157-183; data as collected in
    # the public repository SchedulingLab/fjsp-instances. Optimum 40.
    text = (instances.DATA / "mk01.txt").read_text()
    assert value(instances.flexible_job_shop(text), 300_000) == 40


@pytest.mark.parametrize(
    ("pairs", "span"),
    [
        # S. M. Johnson, Naval Research Logistics Quarterly 1 (1954) 61-68: the rule; the
        # instances are textbook exercises, verified by trying every order.
        ([(5, 8), (3, 9), (8, 7), (7, 2), (4, 6)], 35),
        ([(12, 22), (4, 5), (5, 3), (15, 16), (10, 8)], 65),
    ],
)
def test_johnsons_rule_on_two_machines(pairs, span):
    first, second = zip(*pairs, strict=True)
    plan = solve(parse_problem(instances.flow_line([list(first), list(second)])), work=3000)
    assert plan["objective"]["makespan"] == span
    ahead = sorted((p for p in pairs if p[0] <= p[1]), key=lambda p: p[0])
    behind = sorted((p for p in pairs if p[0] > p[1]), key=lambda p: -p[1])
    one = two = 0
    for p, q in [*ahead, *behind]:
        one += p
        two = max(two, one) + q
    assert two == span
    assert plan["proved_optimal"]


def test_full_batches_longest_first_on_one_batch_machine():
    # P. Brucker et al., Scheduling a batching machine, Journal of Scheduling 1 (1998) 31-54:
    # for the makespan, full batches in order of falling times are optimal.
    minutes = [9, 8, 7, 5, 4, 3, 2, 1]
    full = sum(max(minutes[k : k + 2]) for k in range(0, 8, 2))
    assert full == 22
    assert value(instances.one_batch_machine(minutes, 2), 3000) == full


@pytest.mark.parametrize(("minutes", "total"), [((1, 2, 10, 11), 30), ((1, 1, 2, 8, 9), 28)])
def test_sum_of_ends_on_an_unbounded_batch_machine(minutes, total):
    # Brucker et al. 1998 (see above): some optimal plan batches neighbours in order of
    # rising times; the least total is found here by trying every way of cutting.
    n = len(minutes)
    least = float("inf")
    for cuts in itertools.product([False, True], repeat=n - 1):
        groups, group = [], [minutes[0]]
        for k, cut in enumerate(cuts):
            if cut:
                groups.append(group)
                group = []
            group.append(minutes[k + 1])
        groups.append(group)
        t = ends = 0
        for group in groups:
            t += group[-1]
            ends += t * len(group)
        least = min(least, ends)
    assert least == total
    problem = instances.one_batch_machine(minutes, n) | {"objective": "weighted_tardiness"}
    for job in problem["jobs"]:
        job["due"] = 0
    assert value(problem, 3000) == total

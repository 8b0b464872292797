"""Planning: times of plan, foresight and quote; the kernel against SimPy; the checker.

Times are wall and process seconds of a warm process; on a busy machine the process time
divided by two is what two free cores would take.
Run: ``python -m tests.benchmarks.bench_planning [SimPy runs] [checked days]``.
"""

from __future__ import annotations

import json
import random
import sys
import time
from collections.abc import Callable
from itertools import product
from typing import Any

from production.planning import Problem, foresee, parse_problem, plan, quote, warm
from production.planning.makeahead import fill_slack
from production.planning.problem import parse_job
from production.planning.solve.check.checker import violations
from tests.planning.days import random_bench, without_the_impossible
from tests.planning.office import Truth, learn, morning, resources, route
from tests.planning.test_kernel import disagreement

SIMPY_RUNS, CHECKED_DAYS = 1000, 10000
GROWTH_DAYS = range(3, 11)
FITS = learn(1, Truth())


def day(arches: int, seed: int, printers: int = 3) -> Problem:
    """Return an office day with so many arches on the bench, a third of them same-day."""
    rnd = random.Random(seed)
    data = morning(rnd, FITS, debonds=0, ahead=0)
    data["resources"] = resources(printers)
    for n in range(arches):
        steps = [dict(step) for step in route(FITS, rnd.choice(["clear", "grey"]))]
        same_day = n % 3 == 0
        if rnd.random() < 0.4:
            for step in steps[: rnd.randint(1, 7)]:
                step["done"] = True
        job = {"id": f"arch {n}", "steps": steps}
        if same_day:
            job |= {"due": rnd.uniform(200, 520), "release": rnd.uniform(0, 150)}
            job["group"] = f"patient {n // 6}"
        else:
            job["due"] = rnd.choice([1, 2, 3]) * 1440.0 + 540.0
        data["jobs"].append(job)
    return parse_problem({**data, "risk_limit": 0.1})


def timed(name: str, what: Callable[[int], Any], runs: int, target: str) -> None:
    """Print median, 95th percentile and largest time over runs."""
    walls, cores = [], []
    for n in range(runs):
        wall, core = time.perf_counter(), time.process_time()
        what(n)
        walls.append(time.perf_counter() - wall)
        cores.append(time.process_time() - core)
    walls.sort()
    cores.sort()
    high = min(int(0.95 * runs), runs - 1)
    print(
        f"{name}: wall median {walls[runs // 2] * 1e3:.0f}, p95 {walls[high] * 1e3:.0f} ms; "
        f"process median {cores[runs // 2] * 1e3:.0f}, p95 {cores[high] * 1e3:.0f} ms ({target})"
    )


def new_job(n: int) -> dict[str, Any]:
    return {"id": f"new {n}", "steps": route(FITS, "clear")}


def main() -> None:
    simpy_runs = int(sys.argv[1]) if len(sys.argv) > 1 else SIMPY_RUNS
    checked = int(sys.argv[2]) if len(sys.argv) > 2 else CHECKED_DAYS
    began = time.perf_counter()
    warm()
    print(f"warm(): {time.perf_counter() - began:.1f} s (long only when it has to compile)")
    days = {n: [day(n, seed) for seed in range(20)] for n in (40, 60, 80)}
    timed("plan, 80 arches, 3 printers", lambda n: plan(days[80][n]), 20, "at most 100 ms")
    timed(
        "foresee, 60 appliances, 2,000 futures",
        lambda n: foresee(days[60][n], 2000),
        10,
        "at most 300 ms on two free cores",
    )
    timed(
        "foresee, 60 appliances, 10,000 futures",
        lambda n: foresee(days[60][n], 10000),
        3,
        "at most 1,500 ms on two free cores",
    )
    for arches, target in ((40, 300), (80, 500)):
        timed(
            f"quote, {arches} arches",
            lambda n, a=arches: quote(days[a][n], new_job(n)),  # type: ignore[misc]
            20,
            f"p95 at most {target} ms on two free cores",
        )
    growth()
    same = [
        json.dumps({k: v for k, v in f(days[40][0]).items() if k != "seconds"})
        for f in (plan, plan, lambda p: foresee(p, 2000, 5), lambda p: foresee(p, 2000, 5))
    ]
    print(f"repeat: plan {same[0] == same[1]}, foresight {same[2] == same[3]} byte for byte")
    make_ahead()
    worst = max(disagreement(seed) for seed in range(simpy_runs))
    print(f"kernel against SimPy: largest difference {worst:.2e} min over {simpy_runs} benches")
    bad = 0
    for seed in range(checked):
        data = random_bench(seed)
        data = without_the_impossible(data, plan(parse_problem(data))["infeasible"])
        bad += bool(violations(data, plan(parse_problem(data))))
    print(f"independent checker: {bad} of {checked} random days violated")


def growth() -> None:
    """Compare the cost of ten times the open work, over several days: single ones differ."""
    for name, call in (
        ("foresee", lambda p: foresee(p, 300)),
        ("quote", lambda p: quote(p, new_job(0), samples=200)),
    ):
        cost = {30: 0.0, 300: 0.0}
        for arches, seed in product(cost, GROWTH_DAYS):
            problem = day(arches, seed)
            times = []
            for _ in range(2):
                core = time.process_time()
                call(problem)
                times.append(time.process_time() - core)
            cost[arches] += min(times)
        print(
            f"growth of {name}, 30 to 300 arches, {len(GROWTH_DAYS)} days: "
            f"{cost[300] / cost[30]:.1f} times (at most 15)"
        )


def make_ahead() -> None:
    """Fill a day's slack and tell the paired added risk."""
    problem = parse_problem(morning(random.Random(4), FITS, ahead=0))
    more = [
        parse_job(
            {"id": f"ahead {n}", "due": 3 * 1440.0, "steps": route(FITS, "grey")},
            problem.resources,
        )
        for n in range(60)
    ]
    began = time.perf_counter()
    found = fill_slack(problem, more)
    risk = found["added_risk"]
    print(
        f"make-ahead: {len(found['take'])} of 60 taken, added risk at most {risk['worst']:.4f} "
        f"(error {risk['standard_error']:.4f}, 10,000 paired futures, limit 0.01), "
        f"{time.perf_counter() - began:.1f} s"
    )


if __name__ == "__main__":
    main()

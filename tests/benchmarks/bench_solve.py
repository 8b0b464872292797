"""Quality of plans: against proofs, against a hinted constraint solver, on published sets.

manage.py bench solve                       a short run of everything
manage.py bench solve -- --part small       see PARTS
manage.py bench solve -- --part days --count 10000
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from typing import Any

import numpy as np

from production.planning.problem import parse_problem
from production.planning.solve import solve
from production.planning.solve.bounds import CRITERIA
from production.planning.solve.check.checker import violations
from production.planning.solve.constraints.exact import Bound, Exact
from production.planning.solve.sequences import openwork, start
from production.planning.solve.sequences.search import Best, Budget, Search
from production.planning.solve.sequences.start import Bench
from tests.planning.solve import instances, shapes

PARTS = ("days", "small", "large", "shapes", "limit", "taillard", "tardiness", "job_shop")
OBJECTIVES = ("promises", "weighted_tardiness", "makespan")


def main(arguments: list[str]) -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(prog="bench solve")
    parser.add_argument("--part", choices=PARTS, action="append")
    parser.add_argument("--count", type=int, help="instances of each part")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--seconds", type=float, default=12.0)
    options = parser.parse_args(arguments)
    for part in options.part or PARTS:
        globals()[f"run_{part}"](options)


def cpu() -> float:
    """Return the processor time used so far, seconds."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_utime


def run_days(options: argparse.Namespace) -> None:
    """Check plans of random days of every kind with the independent checker."""
    count, bad, infeasible, began = options.count or 300, 0, 0, cpu()
    for seed in range(options.first, options.first + count):
        wild = instances.wild_day(seed)
        problem = wild if seed % 5 else instances.office_day(seed, 3 + seed % 17, 1 + seed % 3)
        plan = solve(parse_problem(problem), work=150)
        infeasible += bool(plan["infeasible"])
        found = violations(problem, plan)
        bad += bool(found)
        for line in found[:2]:
            print(f"  day {seed}: {line}")
    print(
        f"days: {count} plans checked, {bad} with violations, {infeasible} with work that cannot "
        f"be done, {cpu() - began:.0f} s of processor time",
        flush=True,
    )


def run_small(options: argparse.Namespace) -> None:
    """Compare plans of at most eight arches with optima proved by the constraint solver."""
    gaps, proved, seed = [], 0, options.first
    while len(gaps) < (options.count or 12):
        objective = OBJECTIVES[seed % 3]
        problem = instances.office_day(50_000 + seed, 3 + seed % 6, 1 + seed % 2, objective)
        seed += 1
        plan = solve(parse_problem(problem), seconds=options.seconds)
        best, bound, _ = polished(problem, plan, 60.0)
        if not bound.proved:
            print(f"  day {seed - 1}: the constraint solver proves nothing in 60 s; left out")
            continue
        proved += plan["proved_optimal"]
        value = stated(problem, plan)
        gaps.append(gap(value, best.value, objective))
    print(
        f"small: {len(gaps)} days of 3 to 8 arches with proved optima; mean gap "
        f"{100 * np.mean(gaps):.2f} %, worst {100 * np.max(gaps):.2f} %; proved by solve itself: "
        f"{proved}",
        flush=True,
    )


def run_large(options: argparse.Namespace) -> None:
    """Compare plans of 20, 40 and 80 arches with 12 s of the solver hinted by them."""
    rounds = options.count or 1
    for seed in range(options.first, options.first + rounds):
        for arches in (20, 40, 80):
            for printers in (1, 2, 3):
                objective = OBJECTIVES[(seed + printers) % 3]
                problem = instances.office_day(90_000 + seed, arches, printers, objective)
                name = f"large: seed {seed}, {arches} arches, {printers} printers"
                compare(name, problem, options.seconds)


def run_shapes(options: argparse.Namespace) -> None:
    """Compare plans of benches unlike an office's in the same way."""
    gaps = []
    for number in range(options.first, options.first + (options.count or 4)):
        style, jobs = shapes.STYLES[number % 4], (20, 40, 80)[number // 4 % 3]
        machines, objective = 1 + number % 3, OBJECTIVES[number // 2 % 3]
        if style == "weighted tardiness":
            objective = style.replace(" ", "_")
        problem = shapes.shape(style, number, jobs, machines, objective)
        name = f"shapes: {style} {number}, {jobs} jobs, {machines} machines"
        gaps.append(compare(name, problem, options.seconds))
    print(
        f"shapes: {len(gaps)}, mean gap {100 * np.nanmean(gaps):.2f} %, "
        f"worst {100 * np.nanmax(gaps):.2f} %"
    )


def run_limit(options: argparse.Namespace) -> None:
    """Measure whether the time given holds, and what a plan of many jobs is worth then."""
    for jobs in (80, 400, 2000)[: options.count]:
        for seconds in (0.0, 0.5, 1.0, 3.0):
            problem = instances.office_day(options.first + jobs, jobs, 3)
            parsed = parse_problem(problem)
            began, used = time.monotonic(), cpu()
            plan = solve(parsed, seconds=seconds)
            print(
                f"limit: {jobs} jobs, {seconds:g} s given, {time.monotonic() - began:.2f} s taken, "
                f"{cpu() - used:.2f} s of processor time; late {plan['objective']['late_jobs']}; "
                f"violations {len(violations(problem, plan))}",
                flush=True,
            )


def compare(name: str, problem: dict[str, Any], seconds: float) -> float:
    """Print how a plan compares with the best rule and with 12 s of the hinted solver."""
    objective = problem["objective"]
    began = cpu()
    plan = solve(parse_problem(problem), seconds=seconds)
    used = cpu() - began
    if left := plan["infeasible"]:
        print(f"{name}, {objective}: no open time for {len(left)} jobs; not compared", flush=True)
        return float("nan")
    best, bound, search = polished(problem, plan, 12.0)
    mine = stated(problem, plan)
    rule = best_rule(search)
    figures = [f"{float(v[c]):g}" for c in CRITERIA[objective] for v in (rule, mine, best.value)]
    lower = bound.lower.get(CRITERIA[objective][0], 0.0)
    found = gap(mine, best.value, objective)
    print(
        f"{name}, {objective}: rule/plan/hinted {' '.join(figures)}; gap {100 * found:.2f} %; "
        f"bound {lower:g}; {used:.1f} s of processor time; "
        f"violations {len(violations(problem, plan))}",
        flush=True,
    )
    return found


def gap(mine: Any, best: Any, objective: str) -> float:
    """Return by how much a value exceeds another in the first criterion that differs.

    A difference in late jobs counts against all jobs late or in time; lead time, which
    decides only between plans equal in promises and tardiness, counts as it is.
    """
    for criterion in CRITERIA[objective]:
        if abs(mine[criterion] - best[criterion]) > 1e-6 * (1 + abs(best[criterion])):
            return float((mine[criterion] - best[criterion]) / max(abs(best[criterion]), 1.0))
    return 0.0


def _state(work: openwork.OpenWork, plan: dict[str, Any]) -> Any:
    number = {str(r.id): i for i, r in enumerate(work.problem.resources)}
    entries = {(s["job"], s["index"]): s for s in plan["steps"]}
    rows = [entries[work.problem.jobs[j].id, i] for j, i in work.steps]
    return start.table(
        work,
        np.array([row["start"] for row in rows], float),
        np.array([number[str(row["resource"])] for row in rows]),
        np.array([-o - 1 if row["batch"] is None else row["batch"] for o, row in enumerate(rows)]),
    )


def stated(problem: dict[str, Any], plan: dict[str, Any]) -> Any:
    """Return the value of a plan by criterion."""
    work = openwork.open_work(parse_problem(problem))
    search = Search(work, problem["objective"], 1)
    value = search.value(_state(work, plan))
    assert value is not None
    return value


def polished(
    problem: dict[str, Any], plan: dict[str, Any], seconds: float
) -> tuple[Best, Bound, Search]:
    """Give the constraint solver, hinted with a plan, so many seconds."""
    work = openwork.open_work(parse_problem(problem))
    search = Search(work, problem["objective"], 1)
    best = Best(_state(work, plan), stated(problem, plan))
    bound = Bound()
    Exact(search, 1).improve(best, bound, Budget(time.monotonic() + seconds, seconds))
    return best, bound, search


def best_rule(search: Search) -> Any:
    """Return the value of the best classical dispatch rule, without waiting for fuller plates."""
    bench = Bench(search.work)
    best = None
    for rule in bench.rules().values():
        value = bench.value(bench.run(rule, 0.0))
        if best is None or search.better(value, best):
            best = value
    return best


def _published(name: str, problem: dict[str, Any], best: int, seconds: float) -> bool:
    began = cpu()
    plan = solve(parse_problem(problem), seconds=seconds)
    value = plan["objective"]["value"]
    good = value <= best and not violations(problem, plan)
    print(
        f"{name}: {value} (best known {best}), bound {plan['lower_bound']}, "
        f"{plan['seconds']:.1f} s, {cpu() - began:.1f} s of processor time"
        f"{'' if good else '   MISSED'}",
        flush=True,
    )
    return good


def run_taillard(options: argparse.Namespace) -> None:
    """Taillard's 20 x 5 flow shops ta001 to ta010 (EJOR 64, 1993)."""
    pairs = list(zip(instances.TAILLARD_SEEDS, instances.TAILLARD_BEST, strict=True))
    good = [
        _published(f"ta{k + 1:03d}", instances.flow_line(instances.taillard(s)), best, 30.0)
        for k, (s, best) in enumerate(pairs[: options.count])
    ]
    print(f"taillard: {sum(good)} of {len(good)} reach the best known makespan")


def run_tardiness(options: argparse.Namespace) -> None:
    """OR-Library's wt40, first 25."""
    best = instances.WT40_BEST[: options.count]
    good = [
        _published(f"wt40 #{k + 1}", instances.weighted_tardiness(k + 1), value, 10.0)
        for k, value in enumerate(best)
    ]
    print(f"tardiness: {sum(good)} of {len(good)} reach the optimum")


def run_job_shop(options: argparse.Namespace) -> None:
    """Brandimarte's mk01."""
    text = (instances.DATA / "mk01.txt").read_text()
    _published("mk01", instances.flexible_job_shop(text), 40, 10.0)


if __name__ == "__main__":
    main(sys.argv[1:])

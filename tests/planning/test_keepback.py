"""What is made ahead is left alone where a promise of today would wait behind it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from production.planning import foresee, parse_problem
from production.planning.entities import Problem
from production.planning.keepback import kept_back
from production.planning.makeahead import DAY


def bench(*ahead: float, **more: Any) -> Problem:
    """One machine; a promise for minute 95 whose hour of work comes at 30, and work ahead."""
    hour = {"kind": "print", "minutes": 60, "spread": 0.05}
    jobs = [{"id": "today", "release": 30, "due": 95, "steps": [hour]}]
    for n, minutes in enumerate(ahead):
        step = hour | {"minutes": minutes, "spread": 0.0} | more
        jobs.append({"id": f"A{n}", "due": 3 * DAY, "weight": 0.3, "steps": [step]})
    return parse_problem({"resources": [{"id": "m", "kind": "print"}], "jobs": jobs})


def late(problem: Problem, until: float = 0.0, held: tuple[Any, ...] = ()) -> float:
    """Return the risk of today's promise with these jobs left alone."""
    jobs = tuple(
        replace(job, steps=tuple(replace(s, not_before=until) for s in job.steps))
        if job.id in held
        else job
        for job in problem.jobs
    )
    return float(foresee(replace(problem, jobs=jobs), 4000, seed=5)["jobs"][0]["p_late"])


def test_what_would_stand_in_the_way_waits_until_the_promise_is_over() -> None:
    problem = bench(50.0)
    found = kept_back(problem)
    assert found.jobs == ("A0",)
    assert found.until == 95.0
    assert late(problem) > 0.9
    assert late(problem, found.until, found.jobs) <= late(bench()) + 0.01


def test_what_is_over_before_the_work_comes_goes_on() -> None:
    assert kept_back(bench(25.0)).jobs == ()
    assert kept_back(bench(14.0, 14.0, 50.0)).jobs == ("A2",)


def test_what_runs_or_was_set_by_hand_goes_on() -> None:
    assert kept_back(bench(50.0, started=-5.0, resource="m")).jobs == ()
    assert kept_back(bench(50.0, first=True)).jobs == ()
    assert kept_back(bench(50.0, not_before=10.0)).jobs == ()


def test_what_is_due_today_is_a_promise_itself_unless_it_is_lost() -> None:
    problem = bench(50.0)
    soon = replace(problem.jobs[1], due=50.0)
    assert kept_back(replace(problem, jobs=(problem.jobs[0], soon))).jobs == ()
    lost = replace(problem.jobs[1], due=20.0)
    assert kept_back(replace(problem, jobs=(problem.jobs[0], lost))).jobs == ("A0",)


def test_without_promises_of_today_nothing_waits() -> None:
    problem = bench(50.0, 50.0)
    assert kept_back(replace(problem, jobs=problem.jobs[1:])).jobs == ()
    later = replace(problem.jobs[0], due=2 * DAY)
    assert kept_back(replace(problem, jobs=(later, *problem.jobs[1:]))).jobs == ()

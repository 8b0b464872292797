"""The new work that a promise is asked for."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

from production.planning.entities import Job, Problem
from production.planning.errors import ProblemError
from production.planning.problem import parse_job, placed

__all__ = ["first_steps", "new_jobs"]


def new_jobs(
    problem: Problem, job: Mapping[str, Any] | Job | Sequence[Mapping[str, Any] | Job]
) -> tuple[Job, ...]:
    """Return the jobs that are asked for, validated and without due times.

    Raises ``ProblemError`` when one is malformed or on the bench already.
    """
    several = job if isinstance(job, list | tuple) else [job]
    if not several:
        raise ProblemError("job: the list is empty; give at least one job")
    known = {str(j.id) for j in problem.jobs}
    found = []
    for number, item in enumerate(several):
        new = item if isinstance(item, Job) else parse_job(item, problem.resources, number)
        if str(new.id) in known:
            raise ProblemError(
                f"job {new.id!r} is on the bench already; give the new job its own id"
            )
        known.add(str(new.id))
        found.append(replace(new, due=None))
    return placed((*problem.jobs, *found), problem.resources)[len(problem.jobs) :]


def first_steps(new: Sequence[Job], never: Collection[str]) -> tuple[tuple[int, int], ...]:
    """Return (job, step) of the first open step of each that may be left alone."""
    found = []
    for number, job in enumerate(new):
        waiting = [i for i, s in enumerate(job.steps) if s.open and s.kind not in never]
        found += [(number, i) for i in waiting[:1]]
    return tuple(found)

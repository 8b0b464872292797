"""Which part of a plan to put anew: steps that can give one another room."""

from __future__ import annotations

from typing import Any

import numpy as np

from production.planning.solve.openwork import INFINITE, Arrays, Scratch
from production.planning.solve.timing import BLK

Array = np.ndarray[Any, Any]
ANY_JOB = 0.3  # how often a region is begun anywhere, not where the plan loses most
BLUR = 0.7  # by how much nearness is blurred by chance, so that regions differ


def pressing_job(a: Arrays, now: Scratch, span: bool, rng: np.random.Generator) -> int:
    """Return a random open job, the likelier the more the plan loses by it."""
    opened = a.job_last >= 0
    end = now.unit_end[a.job_unit]
    if span:
        loss = (end >= end[opened].max() - 1e-9).astype(float)
    else:
        loss = np.where(a.job_due < INFINITE, np.maximum(end - a.job_due, 0.0), 0.0) * a.job_weight
    loss = (loss + 1e-9) * opened
    if rng.random() < ANY_JOB:
        loss = opened.astype(float)
    return int(rng.choice(len(loss), p=loss / loss.sum()))


def batches(a: Arrays, state: Array, now: Scratch, job: int, size: int, rng: Any) -> Array:
    """Return the steps of all jobs in one of the job's batches and in those nearest in time.

    Of a job without batches, or with one region of ``size`` steps, a mask (n,) bool.
    """
    block = state[BLK, : len(a.step_job)]
    mine = np.flatnonzero(a.step_job == job)
    batched = mine[a.batch[a.choice[a.choice_from[mine]]] == 1]
    o = rng.choice(batched if len(batched) else mine)
    alike = np.flatnonzero(a.step_class == a.step_class[o])
    away = _blurred(np.abs(now.start[: len(block)] - now.start[o]), rng)
    away = away[block]  # one distance for all members of a run
    away[block == block[o]] = -1.0
    order = alike[np.argsort(away[alike], kind="stable")]
    jobs = a.step_job[order]
    _, first = np.unique(jobs, return_index=True)
    return _jobs(a, jobs[np.sort(first)], size)


def window(a: Arrays, state: Array, now: Scratch, job: int, size: int, rng: Any) -> Array:
    """Return ``size`` steps that follow one another in time, one of the job's among them."""
    n = len(a.step_job)
    order = np.argsort(now.start[:n], kind="stable")
    at = int(rng.choice(np.flatnonzero(a.step_job[order] == job)))
    size = min(size, n)
    first = max(0, min(at - int(rng.integers(size)), n - size))
    free = np.zeros(n, bool)
    free[order[first : first + size]] = True
    return free


def ending_near(a: Arrays, state: Array, now: Scratch, job: int, size: int, rng: Any) -> Array:
    """Return the steps of jobs that end at about the time of the job."""
    jobs = np.flatnonzero(a.job_last >= 0)
    end = now.end[a.job_last[jobs]]
    away = _blurred(np.abs(end - now.end[a.job_last[job]]), rng)
    return _jobs(a, jobs[np.argsort(away, kind="stable")], size)


KINDS = (batches, window, ending_near)


def _blurred(away: Array, rng: Any) -> Array:
    return away * rng.uniform(1.0 - BLUR, 1.0 + BLUR, len(away))


def _jobs(a: Arrays, jobs: Array, size: int) -> Array:
    """Return the steps of the first jobs that together have ``size`` of them at most."""
    steps = np.bincount(a.step_job, minlength=len(a.job_last))[jobs]
    count = max(int(np.searchsorted(np.cumsum(steps), size, side="right")), 2)
    return np.isin(a.step_job, jobs[:count])

"""Which part of a plan to put anew: all steps of jobs that can give one another room."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from production.planning.solve.sequences.openwork import Arrays, Scratch

Array = np.ndarray[Any, Any]
Kind = Callable[[Arrays, Scratch, int, int, bool, Any], Array]
ANY_JOB = 0.3  # how often a region is begun anywhere, not where the plan loses most
BLUR = 0.7  # by how much nearness is blurred by chance, so that regions differ
NEARLY = 0.25  # of the patience with a late job, below which all count as nearly in time
OTHERS = 0.05  # of the mean loss, what a job counts that loses nothing
CHEAP = 0.02  # of the greatest price, below which all exchanges count as alike


def losses(a: Arrays, now: Scratch, span: bool) -> Array:
    """Return by job what the plan loses by it (``span``: by those that end last)."""
    end = now.unit_end[a.job_unit]
    if span:
        return np.asarray(end >= end[a.job_last >= 0].max() - 1e-9, float)
    return np.maximum(end - a.job_due, 0.0) * a.job_weight


def pressing_job(a: Arrays, now: Scratch, span: bool, rng: np.random.Generator) -> int:
    """Return a random open job, the likelier the more the plan loses by it."""
    opened = (a.job_last >= 0).astype(float)
    loss = (losses(a, now, span) + 1e-9) * opened
    if rng.random() < ANY_JOB:
        loss = opened
    return int(rng.choice(len(loss), p=loss / loss.sum()))


def savable_job(a: Arrays, now: Scratch, rng: np.random.Generator) -> int:
    """Return a random late job, the likelier the less it misses; any open one if none is late."""
    over = now.unit_end[a.job_unit] - a.job_due
    opened = a.job_last >= 0
    late = opened & (over > 1e-9)
    weight = np.where(late, 1.0 / (np.maximum(over, 0.0) + NEARLY * now.patience[0]), 0.0)
    if not late.any():
        weight = opened.astype(float)
    return int(rng.choice(len(weight), p=weight / weight.sum()))


def in_its_way(a: Arrays, now: Scratch, job: int, size: int, span: bool, rng: Any) -> Array:
    """Return a mask of the steps of jobs about one that ends between the job's due time and end.

    One of these jobs is drawn, not a time: over a night nothing ends.
    """
    end = _ends(a, now)
    between = end[(end > a.job_due[job]) & (end <= end[job]) & (a.job_last >= 0)]
    wanted = rng.choice(between) if len(between) else end[job]
    return _nearest(a, np.abs(end - wanted), job, size, rng)


def due_near(a: Arrays, now: Scratch, job: int, size: int, span: bool, rng: Any) -> Array:
    """Return a mask of the steps of jobs due at about the same time."""
    due = np.minimum(a.job_due, _ends(a, now).max())
    return _nearest(a, np.abs(due - due[job]), job, size, rng)


def losing(a: Arrays, now: Scratch, job: int, size: int, span: bool, rng: Any) -> Array:
    """Return a mask of the steps of random jobs, the likelier the more the plan loses by them."""
    loss = losses(a, now, span)
    weight = loss + OTHERS * loss.mean() + 1e-9
    return _first(a, -np.log(rng.random(len(weight)) + 1e-300) / weight, job, size)


def in_exchange(a: Arrays, now: Scratch, job: int, size: int, span: bool, rng: Any) -> Array:
    """Return a mask of the steps of the job and of those that lose least by ending as late."""
    end = now.unit_end[a.job_unit]
    later = np.maximum(end, end[job])
    price = np.maximum(later - a.job_due, 0.0) - np.maximum(end - a.job_due, 0.0)
    price *= a.job_weight
    return _nearest(a, price + CHEAP * price.max() + 1e-6, job, size, rng)


def at_a_time(a: Arrays, now: Scratch, job: int, size: int, span: bool, rng: Any) -> Array:
    """Return a mask of the job's steps, and of the steps about a moment while it is made."""
    n, first = len(a.step_job), a.job_last[job]
    while a.step_prev[first] >= 0:
        first = a.step_prev[first]
    since, until = a.step_ready[first], now.end[a.job_last[job]]
    middle = (now.start[:n] + now.end[:n]) / 2.0
    inside = middle[(middle >= since) & (middle <= until)]
    moment = rng.choice(inside) if len(inside) else until
    away = np.abs(middle - moment) * rng.uniform(1.0 - BLUR, 1.0 + BLUR, n)
    away[a.step_job == job] = -1.0
    free = np.zeros(n, bool)
    free[np.argsort(away, kind="stable")[:size]] = True
    return free


KINDS: tuple[Kind, ...] = (in_its_way, due_near, losing, at_a_time)
LATENESS_KINDS: tuple[Kind, ...] = (*KINDS, in_exchange)  # who waits for the morning, say
FEWER_KINDS: tuple[Kind, ...] = (due_near, in_its_way, at_a_time)  # what is lost saves no other


def _ends(a: Arrays, now: Scratch) -> Array:
    return np.where(a.job_last >= 0, now.end[a.job_last], 0.0)


def _nearest(a: Arrays, away: Array, job: int, size: int, rng: Any) -> Array:
    return _first(a, away * rng.uniform(1.0 - BLUR, 1.0 + BLUR, len(away)), job, size)


def _first(a: Arrays, away: Array, job: int, size: int) -> Array:
    """Return the steps of the job and of those least away, ``size`` of them at most."""
    away[job] = -1.0
    away[a.job_last < 0] = np.inf
    jobs = np.argsort(away, kind="stable")
    steps = np.bincount(a.step_job, minlength=len(jobs))[jobs]
    count = max(int(np.searchsorted(np.cumsum(steps), size, side="right")), 2)
    return np.isin(a.step_job, jobs[:count])

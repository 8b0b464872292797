"""Flow lines: every job visits the same machines in the same order.

Nawaz, Enscore and Ham's construction, then iterated greedy search (Ruiz and Stützle
2007): take a few jobs out of the sequence, put each back where the makespan is least,
settle into a local optimum of insertion moves. Taillard's (1990) heads and tails give
the makespan of all insertions of one job at once.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from production.planning.solve.sequences.moves import chance, draw
from production.planning.solve.sequences.openwork import OpenWork
from production.planning.solve.sequences.start import table

Array = np.ndarray[Any, Any]
SETTINGS = ((4, 1.0), (2, 1.0), (4, 3.0), (6, 1.0))  # jobs taken out, factor of the heat


def flow_line(work: OpenWork) -> tuple[Array, Array] | None:
    """Return (resource by stage, minutes (j, m)) if the open work is a flow line."""
    a = work.arrays
    n, jobs = len(a.step_job), int(np.sum(a.job_last >= 0))
    if n == 0 or n % jobs or a.helped or not np.all(a.plain) or np.any(a.step_ready > 0):
        return None
    if np.any(a.batch) or np.any(a.free_from > 0) or len(a.choice) != n:
        return None
    stages = n // jobs
    route = a.choice.reshape(jobs, stages)
    same_length = np.all(a.step_left.reshape(jobs, stages) == np.arange(stages)[::-1])
    if not same_length or np.any(route != route[0]) or len(set(route[0])) != stages:
        return None
    return route[0].copy(), a.minutes[np.arange(n), a.choice].reshape(jobs, stages)


def flow_line_state(work: OpenWork, line: tuple[Array, Array], order: Array) -> Array:
    """Return the state in which all machines work in the same order of jobs."""
    route, minutes = line
    jobs, stages = minutes.shape
    start = np.zeros((jobs, stages))
    clock = np.zeros(stages)
    for j in order:
        ready = 0.0
        for k in range(stages):
            start[j, k] = max(ready, clock[k])
            ready = clock[k] = start[j, k] + minutes[j, k]
    resource = np.tile(route, jobs)
    return table(work, start.ravel(), resource, np.arange(jobs * stages))


@njit(cache=True, nogil=True)
def heads_and_tails(p, order, count, head, tail):  # type: ignore[no-untyped-def]
    """Fill earliest ends (from the front) and longest remainders (from the back)."""
    m = p.shape[1]
    for k in range(m):
        head[0, k] = 0.0
        tail[count, k] = 0.0
    for i in range(count):
        ready = 0.0
        for k in range(m):
            ready = max(ready, head[i, k]) + p[order[i], k]
            head[i + 1, k] = ready
    for i in range(count - 1, -1, -1):
        ready = 0.0
        for k in range(m - 1, -1, -1):
            ready = max(ready, tail[i + 1, k]) + p[order[i], k]
            tail[i, k] = ready


@njit(cache=True, nogil=True)
def best_place(p, j, count, head, tail, seed):  # type: ignore[no-untyped-def]
    """Return (place, makespan) of the best insertion of job ``j``; ties by lot."""
    m = p.shape[1]
    best = 1e300
    place = 0
    ties = 0
    for i in range(count + 1):
        ready = 0.0
        span = 0.0
        for k in range(m):
            ready = max(ready, head[i, k]) + p[j, k]
            span = max(span, ready + tail[i, k])
        if span < best - 1e-9:
            best = span
            place = i
            ties = 1
        elif span <= best + 1e-9:
            ties += 1
            if draw(seed, ties) == 0:
                place = i
    return place, best


@njit(cache=True, nogil=True)
def insert(order, count, place, j):  # type: ignore[no-untyped-def]
    """Put job ``j`` into ``order`` (of ``count`` jobs) at ``place``."""
    for i in range(count, place, -1):
        order[i] = order[i - 1]
    order[place] = j


@njit(cache=True, nogil=True)
def remove(order, count, place):  # type: ignore[no-untyped-def]
    """Take the job at ``place`` out of ``order`` (of ``count`` jobs) and return it."""
    j = order[place]
    for i in range(place, count - 1):
        order[i] = order[i + 1]
    return j


@njit(cache=True, nogil=True)
def settle(p, order, head, tail, seed):  # type: ignore[no-untyped-def]
    """Move single jobs to their best places until none gains; return the makespan."""
    n = p.shape[0]
    heads_and_tails(p, order, n, head, tail)
    span = tail[0].max()
    since = 0
    while since < n:
        place = draw(seed, n)
        j = remove(order, n, place)
        heads_and_tails(p, order, n - 1, head, tail)
        where, value = best_place(p, j, n - 1, head, tail, seed)
        if value < span - 1e-9:
            span = value
            since = 0
        else:
            since += 1
            if value > span + 1e-9:
                where = place
        insert(order, n - 1, where, j)
    return span


@njit(cache=True, nogil=True)
def construct(p, order, head, tail, seed):  # type: ignore[no-untyped-def]
    """Fill ``order`` by inserting the jobs, most work first; return the makespan."""
    total = p.sum(axis=1)
    by_work = np.argsort(-total)
    span = 0.0
    for i in range(p.shape[0]):
        heads_and_tails(p, order, i, head, tail)
        place, span = best_place(p, by_work[i], i, head, tail, seed)
        insert(order, i, place, by_work[i])
    return span


@njit(cache=True, nogil=True)
def iterate(p, order, best, head, tail, taken, rounds, heat, seed):  # type: ignore[no-untyped-def]
    """Do ``rounds`` of iterated greedy from ``order``; return the best makespan.

    ``best`` (n,) holds the best order so far and is kept up to date.
    """
    n = p.shape[0]
    now = order.copy()
    heads_and_tails(p, order, n, head, tail)
    span = tail[0].max()
    heads_and_tails(p, best, n, head, tail)
    least = tail[0].max()
    out = np.zeros(taken, np.int64)
    for _ in range(rounds):
        now[:] = order
        count = n
        for i in range(taken):
            out[i] = remove(now, count, draw(seed, count))
            count -= 1
        for i in range(taken):
            heads_and_tails(p, now, count, head, tail)
            place, _value = best_place(p, out[i], count, head, tail, seed)
            insert(now, count, place, out[i])
            count += 1
        value = settle(p, now, head, tail, seed)
        if value < least - 1e-9:
            least = value
            best[:] = now
        if value <= span or chance(seed) < np.exp((span - value) / heat):
            span = value
            order[:] = now
    return least


class FlowLine:
    """Iterated greedy search of one flow line."""

    def __init__(self, line: tuple[Array, Array], seed: Array) -> None:
        self.minutes = np.ascontiguousarray(line[1], np.float64)
        n, m = self.minutes.shape
        self.seed = seed
        self.runs = 0
        self.head, self.tail = np.zeros((n + 1, m)), np.zeros((n + 1, m))
        self.order = np.zeros(n, np.int64)
        construct(self.minutes, self.order, self.head, self.tail, seed)
        settle(self.minutes, self.order, self.head, self.tail, seed)
        self.best = self.order.copy()
        self.heat = max(0.04 * float(self.minutes.mean()), 1e-6)

    def run(self, rounds: int) -> float:
        """Do some rounds, each time with other settings; return the best makespan so far."""
        taken, factor = SETTINGS[self.runs % len(SETTINGS)]
        self.runs += 1
        taken = min(taken, len(self.order))
        return float(
            iterate(
                self.minutes, self.order, self.best, self.head, self.tail, taken, rounds,
                self.heat * factor, self.seed,
            )
        )  # fmt: skip

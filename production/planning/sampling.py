"""Futures: the kernel run many times on durations drawn from their distributions.

Every draw comes from a counter, not from a stream: it depends only on the seed, the
number of the future, the job's id, the step's place in its job, the attempt and the
purpose; the luck of a whole day on the first two. So the same job meets the same luck
whatever else is on the bench (common random numbers), threads change nothing, and the
same seed gives the same bytes.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache

import numpy as np
from numba import njit

from production.planning.entities import Problem
from production.planning.kernel.borrow import borrowed
from production.planning.kernel.drawing import (
    DAY_LUCK,
    GOLDEN,
    LUCK,
    MINUTES,
    PURPOSES,
    RUN_LUCK,
    draw_running,
    duration,
    mixed,
    uniform,
)
from production.planning.kernel.future import Draw, Floats, Ints, Policy
from production.planning.kernel.normal import upper_tail_inverse
from production.planning.kernel.shop import STARTED, Shop
from production.planning.kernel.simulation import simulate

__all__ = ["job_streams", "run_futures"]

ATTEMPTS = 4
MOST_THREADS = 4
WORTH_A_THREAD = 6000  # steps
PARTS = 8  # for each thread
SMALLEST_PART = 4  # futures
DAYS = 32
# Fractions of 1/g and 1/g², g³ = g + 1: their multiples fill the unit square evenly however
# many are taken (M. Roberts, "The unreasonable effectiveness of quasirandom sequences", 2018).
TODAY, TOMORROW = 0.7548776662466927, 0.5698402909980532


@njit(cache=True, nogil=True)
def day_luck(seed, number, future, day):
    """Return the luck of a day in (0, 1) in the future of this number.

    It moves all of the day's work at once, so that a few hundred independent draws misjudge
    every promise alike. The first two days are spread evenly over any run of futures.
    """
    if day > 1:
        return uniform(future, DAYS * DAY_LUCK + day)
    step = TODAY if day == 0 else TOMORROW
    place = (uniform(mixed(seed), DAY_LUCK + day) + step * (number + 1)) % 1.0
    return min(max(place, 1e-9), 1.0 - 1e-9)


@njit(cache=True, nogil=True)
def futures(shop, policy, streams, running, usual, seed, first, days, rows, finish):
    """Fill finish (S, J) with the futures numbered from ``first``.

    ``days`` is (shift of the log today, its spread today, spread of later days);
    ``running`` and ``usual`` are as in ``draw_running``.
    """
    step_job = borrowed(shop.step_job)  # type: ignore[call-arg, var-annotated]
    job_first = borrowed(shop.job_first)
    state = borrowed(shop.state)
    nominal = borrowed(shop.minutes)
    spread = borrowed(shop.spread)
    failure = borrowed(shop.failure)
    release = borrowed(shop.release)
    pool = borrowed(shop.pool)
    pool_first = borrowed(shop.pool_first)
    pool_resource = borrowed(shop.pool_resource)
    resource_failure = borrowed(shop.resource_failure)
    steps = step_job.size
    jobs = release.size
    minutes = np.zeros((rows, steps))
    luck = np.ones((rows, steps))
    run_luck = np.ones((rows, steps))
    varied = days[0] != 0.0 or days[1] > 0.0 or days[2] > 0.0
    factor = np.ones(DAYS if varied else 1)
    key = np.empty(jobs, np.uint64)
    draw = Draw(minutes, luck, run_luck, factor, key)
    uniforms = np.zeros(steps)
    breakable = np.zeros(steps, np.bool_)
    for i in range(steps):
        for k in range(pool_first[pool[i]], pool_first[pool[i] + 1]):
            breakable[i] |= resource_failure[pool_resource[k]] > 0.0
    for s in range(finish.shape[0]):
        future = mixed(np.uint64(seed) ^ mixed(np.uint64(first + s) + GOLDEN))
        if varied:
            for d in range(DAYS):
                z = upper_tail_inverse(day_luck(np.uint64(seed), first + s, future, d))
                factor[d] = np.exp(days[0] + days[1] * z) if d == 0 else np.exp(days[2] * z)
        for j in range(jobs):
            key[j] = mixed(future ^ streams[j])
            for i in range(job_first[j], job_first[j + 1]):
                if state[i] > STARTED:
                    continue
                place = PURPOSES * (i - job_first[j]) * rows
                u = uniform(key[j], place + MINUTES)
                if state[i] == STARTED:
                    uniforms[i] = u
                else:
                    minutes[0, i] = duration(nominal[i], spread[i], u)
                if failure[i] > 0.0:
                    luck[0, i] = uniform(key[j], place + LUCK)
                if breakable[i]:
                    run_luck[0, i] = uniform(key[j], place + RUN_LUCK)
        if running.shape[0]:
            draw_running(running, usual, shop, factor[0], minutes, uniforms)
        finish[s, :] = simulate(shop, policy, draw).finish


def job_streams(problem: Problem) -> np.ndarray[tuple[int], np.dtype[np.uint64]]:
    """Return a number for each job that depends on its id alone (FNV-1a, 64 bits)."""
    return np.array([_hash(str(job.id)) for job in problem.jobs], dtype=np.uint64)


@lru_cache(maxsize=1 << 16)
def _hash(text: str) -> int:
    value = 0xCBF29CE484222325
    for byte in text.encode(errors="surrogatepass"):
        value = ((value ^ byte) * 0x100000001B3) % 2**64
    return value


def _running(shop: Shop) -> tuple[Ints, Floats]:
    """Return what runs, and how long it usually takes there, as ``draw_running`` asks for it."""
    steps = np.flatnonzero(shop.state == STARTED)
    rows = np.stack([steps, np.full(steps.size, -1)], axis=1)
    usual = np.empty(steps.size)
    last: dict[tuple[float, ...], int] = {}
    for k, i in enumerate(steps.tolist()):
        r, pool = int(shop.placed[i]), int(shop.pool[i])
        there = shop.pool_resource[shop.pool_first[pool] : shop.pool_first[pool + 1]] == r
        ratios = shop.ratio[shop.ratio_first[i] :][: there.size][there]
        usual[k] = shop.minutes[i] * (ratios[0] if ratios.size else 1.0)
        if shop.batch[r]:
            run = (r, float(shop.started[i]), int(shop.lot[i]))
            if run in last:
                rows[last[run], 1] = k
            last[run] = k
    return rows, usual


def run_futures(
    problem: Problem, shop: Shop, policy: Policy, samples: int, seed: int, first: int = 0
) -> Floats:
    """Return the finishes (samples, J) of as many futures; inf where a job never ends.

    Parameters
    ----------
    problem, shop, policy
        The problem, its arrays and the rule in the kernel's form.
    samples : int
    seed : int
    first : int
        Number of the first future: other futures of the same seed.
    """
    failing = bool((shop.failure > 0).any() or (shop.resource_failure > 0).any())
    rows = ATTEMPTS if failing else 1
    days = np.array([problem.day_shift, problem.day_spread_today, problem.day_spread])
    streams = job_streams(problem)
    running, usual = _running(shop)
    finish = np.empty((samples, len(problem.jobs)))
    number = np.uint64(seed % 2**64)

    threads = min(os.cpu_count() or 1, MOST_THREADS)
    if samples * shop.step_job.size < WORTH_A_THREAD:
        threads = 1
    # Small parts, taken as threads get free, so that none waits for a hindered one.
    size = max(-(-samples // (threads * PARTS)), SMALLEST_PART) if threads > 1 else samples
    parts = iter(range(0, samples, max(size, 1)))

    def take_parts() -> None:
        for start in parts:
            part = finish[start : start + size]
            futures(shop, policy, streams, running, usual, number, first + start, days, rows, part)

    if threads == 1:
        take_parts()
        return finish
    with ThreadPoolExecutor(threads - 1) as pool:
        others = [pool.submit(take_parts) for _ in range(threads - 1)]
        take_parts()
        for other in others:
            other.result()
    return finish

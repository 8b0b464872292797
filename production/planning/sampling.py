"""Futures: the kernel run many times on durations drawn from their distributions.

Every draw comes from a counter, not from a stream: it depends only on the seed, the
number of the future, the job's id, the step's place in its job, the attempt and the
purpose. So the same job meets the same luck whatever else is on the bench (common
random numbers), threads change nothing, and the same seed gives the same bytes.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numba import njit

from production.planning.borrow import borrowed
from production.planning.entities import Problem
from production.planning.future import Draw, Floats, Policy
from production.planning.kernel import simulate
from production.planning.normal import upper_tail, upper_tail_inverse
from production.planning.shop import STARTED, Shop

__all__ = ["job_streams", "run_futures"]

ATTEMPTS = 4
DAYS = 32
MINUTES, LUCK, RUN_LUCK, DAY_LUCK = range(4)
GOLDEN = np.uint64(0x9E3779B97F4A7C15)
HALF = np.uint64(11)
UNIT = 2.0**-53


@njit(cache=True, nogil=True)
def mixed(x):
    """Scramble 64 bits (the finaliser of splitmix64; Steele, Lea and Flood 2014)."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


@njit(cache=True, nogil=True)
def uniform(key, counter):
    """Return a number in (0, 1) that depends on key and counter alone."""
    bits = mixed(key + GOLDEN * np.uint64(counter + 1))
    return (float(bits >> HALF) + 0.5) * UNIT


@njit(cache=True, nogil=True)
def duration(minutes, spread, u):
    """Return the log-normal duration at probability 1 - u."""
    if spread <= 0.0:
        return minutes
    return minutes * np.exp(spread * upper_tail_inverse(u))


@njit(cache=True, nogil=True)
def rest_of_started(minutes, spread, factor, elapsed, u):
    """Return the duration of a started step, given that it has lasted ``elapsed``."""
    if spread <= 0.0 or minutes <= 0.0:
        return minutes
    if elapsed <= 0.0:
        return duration(minutes, spread, u)
    reached = np.log(elapsed / (minutes * factor)) / spread
    left = upper_tail(reached)
    if left < 1e-280:
        return elapsed / factor
    return minutes * np.exp(spread * upper_tail_inverse(left * u))


@njit(cache=True, nogil=True)
def futures(shop, policy, streams, seed, first, days, rows, finish):
    """Fill finish (S, J) with the futures numbered from ``first``.

    ``days`` is (shift of the log today, its spread today, spread of later days).
    """
    step_job = borrowed(shop.step_job)  # type: ignore[call-arg, var-annotated]
    job_first = borrowed(shop.job_first)
    state = borrowed(shop.state)
    nominal = borrowed(shop.minutes)
    spread = borrowed(shop.spread)
    started = borrowed(shop.started)
    failure = borrowed(shop.failure)
    steps = step_job.size
    fail_worst = 0.0
    for r in range(shop.resource_failure.size):
        fail_worst = max(fail_worst, shop.resource_failure[r])
    minutes = np.zeros((rows, steps))
    luck = np.ones((rows, steps))
    run_luck = np.ones((rows, steps))
    varied = days[0] != 0.0 or days[1] > 0.0 or days[2] > 0.0
    factor = np.ones(DAYS if varied else 1)
    draw = Draw(minutes, luck, run_luck, factor)
    for s in range(finish.shape[0]):
        future = mixed(np.uint64(seed) ^ mixed(np.uint64(first + s) + GOLDEN))
        if varied:
            for d in range(DAYS):
                z = upper_tail_inverse(uniform(future, DAYS * DAY_LUCK + d))
                factor[d] = np.exp(days[0] + days[1] * z) if d == 0 else np.exp(days[2] * z)
        again = False
        if rows > 1:
            for i in range(steps):
                j = step_job[i]
                key = mixed(future ^ streams[j])
                place = (i - job_first[j]) * rows * 4
                for a in range(rows):
                    if failure[i] > 0.0:
                        luck[a, i] = uniform(key, place + 4 * a + LUCK)
                        again = again or luck[a, i] < failure[i]
                    if fail_worst > 0.0:
                        run_luck[a, i] = uniform(key, place + 4 * a + RUN_LUCK)
                        again = again or run_luck[a, i] < fail_worst
        for i in range(steps):
            j = step_job[i]
            if state[i] > STARTED:
                continue
            key = mixed(future ^ streams[j])
            place = (i - job_first[j]) * rows * 4
            u = uniform(key, place + MINUTES)
            if state[i] == STARTED:
                minutes[0, i] = rest_of_started(nominal[i], spread[i], factor[0], -started[i], u)
            else:
                minutes[0, i] = duration(nominal[i], spread[i], u)
            if again:
                for a in range(1, rows):
                    u = uniform(key, place + 4 * a + MINUTES)
                    minutes[a, i] = duration(nominal[i], spread[i], u)
        finish[s, :] = simulate(shop, policy, draw).finish


def job_streams(problem: Problem) -> np.ndarray[tuple[int], np.dtype[np.uint64]]:
    """Return a number for each job that depends on its id alone (FNV-1a, 64 bits)."""
    return np.array([_hash(str(job.id)) for job in problem.jobs], dtype=np.uint64)


def _hash(text: str) -> int:
    value = 0xCBF29CE484222325
    for byte in text.encode():
        value = ((value ^ byte) * 0x100000001B3) % 2**64
    return value


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
    finish = np.empty((samples, len(problem.jobs)))
    number = np.uint64(seed % 2**64)

    def part(start: int, stop: int) -> None:
        futures(shop, policy, streams, number, first + start, days, rows, finish[start:stop])

    if samples * shop.step_job.size < 20000 or (os.cpu_count() or 1) < 2:
        part(0, samples)
        return finish
    half = samples // 2
    with ThreadPoolExecutor(1) as pool:
        other = pool.submit(part, half, samples)
        part(0, half)
        other.result()
    return finish

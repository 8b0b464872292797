"""Durations and luck drawn from counters (compiled).

Every draw depends only on the job's key in this future, the step's place in its job, the
attempt and the purpose, so it is the same whenever it is asked for: the first attempt
of every step is drawn before the kernel runs, a later one when it begins.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from production.planning.kernel.normal import upper_tail, upper_tail_inverse

__all__ = [
    "DAY_LUCK",
    "GOLDEN",
    "LUCK",
    "MINUTES",
    "PURPOSES",
    "RUN_LUCK",
    "draw_again",
    "duration",
    "mixed",
    "rest_of_started",
    "uniform",
]

MINUTES, LUCK, RUN_LUCK, DAY_LUCK = range(4)
PURPOSES = 4
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
def draw_again(shop, draw, i, a):
    """Draw attempt a of step i, if it was not given; see ``Draw``."""
    if draw.key.size == 0:
        return
    j = shop.step_job[i]
    key = draw.key[j]
    place = PURPOSES * ((i - shop.job_first[j]) * draw.minutes.shape[0] + a)
    draw.luck[a, i] = uniform(key, place + LUCK)
    draw.run_luck[a, i] = uniform(key, place + RUN_LUCK)
    draw.minutes[a, i] = duration(shop.minutes[i], shop.spread[i], uniform(key, place + MINUTES))

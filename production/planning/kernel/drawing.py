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
    "draw_running",
    "duration",
    "mixed",
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
def draw_running(running, usual, shop, factor, minutes, uniforms):
    """Fill row 0 of minutes (rows, N) for the steps that run, given that their runs have not ended.

    A run lasts as long as its longest member, so all that is known of its members is that
    one of them takes longer than the time gone by. With T(i) the probability that member
    i does, one of the members from i on does with S(i) = T(i) + (1 - T(i)) S(i + 1). Each
    in turn, while none before it has, is drawn at upper tail probability u S(i): below
    T(i) it is the one, and those after it are free; else it ended before now.

    Parameters
    ----------
    running : (K, 2) int
        Steps that run, each with the place of the next member of its run, -1 for none;
        members of a run in this order.
    usual : (K,) float
        Their median minutes where they run.
    factor : float
        Of today.
    uniforms : (N,) float
        In (0, 1); only those of the running steps are read.
    """
    count = running.shape[0]
    longer = np.ones(count)  # T
    still = np.ones(count)  # S
    for k in range(count - 1, -1, -1):
        i, mate = running[k, 0], running[k, 1]
        gone, median = -shop.started[i], usual[k] * factor
        if gone > 0.0:
            if shop.spread[i] > 0.0 and median > 0.0:
                longer[k] = upper_tail(np.log(gone / median) / shop.spread[i])
            elif median <= gone:
                longer[k] = 0.0
        still[k] = longer[k] if mate < 0 else longer[k] + (1.0 - longer[k]) * still[mate]
    free = np.zeros(count, np.bool_)
    for k in range(count):
        i, mate = running[k, 0], running[k, 1]
        nominal, spread = shop.minutes[i], shop.spread[i]
        chance = 1.0 if free[k] else still[k]
        if spread <= 0.0 or usual[k] <= 0.0:
            minutes[0, i] = nominal
        elif chance < 1e-280:
            minutes[0, i] = -shop.started[i] * nominal / (usual[k] * factor)
        else:
            minutes[0, i] = duration(nominal, spread, chance * uniforms[i])
        if mate >= 0:
            free[mate] = free[k] or chance * uniforms[i] < longer[k]


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

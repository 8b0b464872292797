"""Simulated annealing over sequences, with swap and insertion moves.

One call does a fixed number of trials at one temperature and keeps the best
state by the exact (lexicographic) order of the objective. The walk itself is led by
a weighted sum, so that it can pass through states a strict order would forbid.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from production.planning.solve.moves import (
    chance,
    draw,
    exchange,
    may_run,
    move_job,
    move_step,
    random_other,
    swap_blocks,
    swap_jobs,
)
from production.planning.solve.timing import BLK, RES, evaluate


@njit(cache=True, nogil=True)
def weighted(value, weights):  # type: ignore[no-untyped-def]
    """Return the weighted sum that leads the walk."""
    total = 0.0
    for i in range(value.shape[0]):
        total += value[i] * weights[i]
    return total


@njit(cache=True, nogil=True)
def better(value, best, order):  # type: ignore[no-untyped-def]
    """Whether ``value`` comes before ``best`` in the objective's exact order."""
    for i in order:
        gap = 1e-7 * (1.0 + abs(best[i]))
        if value[i] < best[i] - gap:
            return True
        if value[i] > best[i] + gap:
            return False
    return False


@njit(cache=True, nogil=True)
def pick_step(a, w, seed):  # type: ignore[no-untyped-def]
    """Return a random step; half of the time one of a job that decides the value."""
    n = a.step_job.shape[0]
    o = draw(seed, n)
    if draw(seed, 2) == 0:
        return o
    best = o
    best_pull = -1e18
    for _ in range(3):
        c = draw(seed, n)
        j = a.step_job[c]
        end = w.unit_end[a.job_unit[j]]
        pull = w.end[a.job_last[j]] - end
        if a.job_due[j] < 1e17:
            pull += end - a.job_due[j]
        if pull > best_pull:
            best_pull = pull
            best = c
    return best


@njit(cache=True, nogil=True)
def try_move(a, s, w, kinds, seed):  # type: ignore[no-untyped-def]
    """Make one random change to ``s``; False if it came to nothing."""
    x = chance(seed)
    if x < kinds[0]:
        return move_step(a, s, w, pick_step(a, w, seed), seed)
    if x < kinds[1]:
        b = s[BLK, pick_step(a, w, seed)]
        c = random_other(s, b, seed, 4 if draw(seed, 2) == 0 else 40)
        if c < 0 or c == b:
            return False
        if s[RES, b] != s[RES, c] and not (
            may_run(a, s, b, s[RES, c]) and may_run(a, s, c, s[RES, b])
        ):
            return False
        swap_blocks(s, b, c)
        return True
    if x < kinds[2]:
        o = pick_step(a, w, seed)
        q = draw(seed, a.step_job.shape[0])
        if a.step_class[o] != a.step_class[q]:
            return False
        return exchange(a, s, o, q)
    j = a.step_job[pick_step(a, w, seed)]
    k = a.step_job[draw(seed, a.step_job.shape[0])]
    if j == k:
        return False
    if x < kinds[3]:
        return move_job(a, s, w, j, k, seed)
    return swap_jobs(a, s, j, k)


@njit(cache=True, nogil=True)
def walk(a, s, best_s, best_value, now, trial, t_s, weights, order, kinds, heat, trials, seed):  # type: ignore[no-untyped-def]
    """Make ``trials`` trials from state ``s``; keep the best in ``best_s``.

    Parameters
    ----------
    a : Arrays
    s, best_s, t_s : (ROWS, width) int32
        The walk's state (changed), the best state (changed), room for a trial.
    best_value : (5,) float64
        Value of ``best_s`` (changed).
    now, trial : Scratch
        ``now`` holds the times of ``s``.
    weights : (5,) float64
    order : (k,) int64
        Rows of the value in the exact order.
    kinds : (4,) float64
        Cumulative shares of step moves, block swaps, step swaps, job moves.
    heat : float
        Temperature: a worsening by this much is taken once in e tries.
    trials : int
    seed : (1,) int64

    Returns
    -------
    int
        Trials that were accepted.
    """
    evaluate(a, s, now)
    cost = weighted(now.value, weights)
    accepted = 0
    if a.step_job.shape[0] == 0:
        return 0
    for _ in range(trials):
        t_s[:] = s
        if not try_move(a, t_s, now, kinds, seed) or not evaluate(a, t_s, trial):
            continue
        change = weighted(trial.value, weights) - cost
        if change <= 0.0 or chance(seed) < math.exp(-change / heat):
            accepted += 1
            cost += change
            s[:] = t_s
            now, trial = trial, now
            if better(now.value, best_value, order):
                best_s[:] = s
                best_value[:] = now.value
    return accepted


@njit(cache=True, nogil=True)
def typical_change(a, s, now, trial, t_s, weights, kinds, tries, seed):  # type: ignore[no-untyped-def]
    """Return the median worsening of random moves from state ``s`` (0: none worsens)."""
    evaluate(a, s, now)
    cost = weighted(now.value, weights)
    found = np.zeros(tries)
    count = 0
    if a.step_job.shape[0] > 0:
        for _ in range(tries):
            t_s[:] = s
            if try_move(a, t_s, now, kinds, seed) and evaluate(a, t_s, trial):
                change = weighted(trial.value, weights) - cost
                if change > 1e-9:
                    found[count] = change
                    count += 1
    return np.median(found[:count]) if count > 0 else 0.0


def generator(seed: int) -> np.ndarray:
    """Return the state of a generator for ``walk``."""
    return np.array([(seed * 2654435761 + 88172645463325252) % (2**62) + 1], np.int64)

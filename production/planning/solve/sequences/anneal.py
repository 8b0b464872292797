"""Simulated annealing over sequences, with swap and insertion moves.

One call does a fixed number of trials at one temperature and keeps the best
state by the exact (lexicographic) order of the objective. The walk itself is led by
a weighted sum, so that it can pass through states a strict order would forbid.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from production.planning.kernel.borrow import borrowed
from production.planning.solve.sequences.moves import (
    chance,
    draw,
    exchange,
    may_run,
    move_job,
    move_step,
    other_company,
    random_other,
    reinsert,
    swap_batches,
    swap_blocks,
    swap_jobs,
)
from production.planning.solve.sequences.timing import AFTER, BLK, MEM, PREV, RES, SPAN, evaluate

TRIES = 4  # to find a step that may change places
NEIGHBOURS = 6  # of which the nearest in time keeps a helper


@njit(cache=True, nogil=True)
def copy(s, t):  # type: ignore[no-untyped-def]
    """Copy state ``s`` into ``t``, element by element: an assignment takes ten times as long."""
    for row in range(s.shape[0]):
        for i in range(s.shape[1]):
            t[row, i] = s[row, i]


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


@njit(cache=True, nogil=True, inline="always")
def urgency(job_last, job_unit, job_due, ends, unit_end, j, span):  # type: ignore[no-untyped-def]
    """Return how much a job decides the value: by its end, or by how late it makes its unit."""
    last = job_last[j]
    if last < 0:
        return -1e20
    pull = ends[last]
    if not span:
        end = unit_end[job_unit[j]]
        pull -= end
        if job_due[j] < 1e17:
            pull += end - job_due[j]
    return pull


@njit(cache=True, nogil=True)
def pressing_job(a, w, span, seed):  # type: ignore[no-untyped-def]
    """Return a job that decides the value: the last one, or the most urgent of a few."""
    last, unit, due, ends, unit_end = a.job_last, a.job_unit, a.job_due, w.end, w.unit_end
    jobs = last.shape[0]
    best = draw(seed, jobs)
    best_pull = -1e30
    for k in range(jobs if span else 1 + draw(seed, 3)):
        j = k if span else draw(seed, jobs)
        pull = urgency(last, unit, due, ends, unit_end, j, span)
        if pull > best_pull:
            best_pull = pull
            best = j
    return best


@njit(cache=True, nogil=True)
def critical_step(a, s, w, span, seed):  # type: ignore[no-untyped-def]
    """Return a random step of the chain for which a pressing job ends no sooner.

    The chain leads from the job's last step back to the step that ended last of those
    it waited for: one before it on its machine, or before it in the job of a member of its batch.
    """
    o = a.job_last[pressing_job(a, w, span, seed)]
    if o < 0:
        return draw(seed, a.step_job.shape[0])
    chosen = o
    seen = 1
    most = 4 << draw(seed, 6)  # a long chain is not followed to its beginning each time
    while seen < most:
        b = s[BLK, o]
        latest = -1e30
        o = s[PREV, b]
        if o >= 0:
            latest = w.end[o]
            for _ in range(draw(seed, 4)):
                o = s[MEM, o] if s[MEM, o] >= 0 else s[BLK, o]
        member = b
        while member >= 0:
            before = a.step_prev[member]
            if before >= 0 and (
                w.end[before] > latest or (w.end[before] == latest and draw(seed, 2) == 0)
            ):
                latest = w.end[before]
                o = before
            member = s[MEM, member]
        if o < 0:
            break
        seen += 1
        if draw(seed, seen) == 0:
            chosen = o
    return chosen


@njit(cache=True, nogil=True)
def pick_step(a, s, w, span, seed):  # type: ignore[no-untyped-def]
    """Return a random step; three times of four one that decides the value."""
    k = draw(seed, 4)
    if k == 0:
        return draw(seed, a.step_job.shape[0])
    if k > 1:
        return critical_step(a, s, w, span, seed)
    best = draw(seed, a.step_job.shape[0])
    best_pull = -1e30
    for _ in range(3):
        c = draw(seed, a.step_job.shape[0])
        pull = urgency(a.job_last, a.job_unit, a.job_due, w.end, w.unit_end, a.step_job[c], span)
        if pull > best_pull:
            best_pull = pull
            best = c
    return best


@njit(cache=True, nogil=True)
def put_back(a, s, w, j, seed):  # type: ignore[no-untyped-def]
    """Put a job back as soon as it can be made, or later but so that it may still be in time."""
    first = a.job_last[j]
    if a.step_prev[first] < 0:
        return move_step(a, s, w, first, seed)
    work = a.minutes[first, a.choice[a.choice_from[first]]]
    while a.step_prev[first] >= 0:
        first = a.step_prev[first]
        work += a.minutes[first, a.choice[a.choice_from[first]]]
    delay = 0.0
    if draw(seed, 2) == 0:
        end = min(a.job_due[j], w.unit_end[a.job_unit[j]])
        delay = chance(seed) * max(end - a.step_ready[first] - work, 0.0)
    return reinsert(a, s, w, j, first, a.step_ready[first] + delay, -1, 0.0, seed)


@njit(cache=True, nogil=True)
def batch_step(a, s, o, seed):  # type: ignore[no-untyped-def]
    """Return a random step of the job of ``o`` that lies on a batch resource (-1: none)."""
    while a.step_prev[o] >= 0:
        o = a.step_prev[o]
    chosen = -1
    seen = 0
    while o >= 0:
        if a.batch[s[RES, s[BLK, o]]] == 1:
            seen += 1
            if draw(seed, seen) == 0:
                chosen = o
        o = a.step_next[o]
    return chosen


@njit(cache=True, nogil=True)
def regroup(a, s, w, o, seed):  # type: ignore[no-untyped-def]
    """Change who runs with whom, or when a whole batch runs, and let the jobs' rest follow."""
    o = batch_step(a, s, o, seed)
    if o < 0:
        return False
    if draw(seed, 3) > 0:
        return other_company(a, s, w, o, seed)
    b = s[BLK, o]
    c = random_other(s, b, seed, 4)
    if c < 0 or c == b:
        return False
    return swap_batches(a, s, w, b, c, seed)


@njit(cache=True, nogil=True)
def whole_job(a, s, o):  # type: ignore[no-untyped-def]
    """Let no step of the job of ``o`` wait for another; return its last one with a helper."""
    p = a.job_last[a.step_job[o]]
    last = -1
    while p >= 0:
        s[AFTER, p] = -1
        if last < 0 and a.need_from[p] < a.need_from[p + 1]:
            last = p
        p = a.step_prev[p]
    return last


@njit(cache=True, nogil=True)
def give_way(a, s, w, o, seed):  # type: ignore[no-untyped-def]
    """Let a step near ``o`` in time keep its helper for ``o``, or ``o`` for it, or no longer."""
    if a.need_from[o] == a.need_from[o + 1]:
        return False
    if s[AFTER, o] >= 0 and draw(seed, 2) == 0:
        s[AFTER, o] = -1
        return True
    first = draw(seed, 2) == 0
    nearest = -1
    for _ in range(NEIGHBOURS):
        q = draw(seed, a.step_job.shape[0])
        if a.need_from[q] == a.need_from[q + 1] or (w.start[q] < w.start[o]) != first:
            continue
        if nearest < 0 or abs(w.start[q] - w.start[o]) < abs(w.start[nearest] - w.start[o]):
            nearest = q
    if nearest < 0 or s[BLK, nearest] == s[BLK, o]:
        return False
    if first:
        if draw(seed, 2) == 0:
            o = whole_job(a, s, o)
        s[AFTER, nearest] = o
    else:
        s[AFTER, o] = nearest
    return True


@njit(cache=True, nogil=True)
def try_move(a, s, w, kinds, span, seed):  # type: ignore[no-untyped-def]
    """Make one random change to ``s``; False if it came to nothing."""
    x = chance(seed)
    if x < kinds[0]:
        return move_step(a, s, w, pick_step(a, s, w, span, seed), seed)
    if x < kinds[1]:
        b = s[BLK, pick_step(a, s, w, span, seed)]
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
        o = pick_step(a, s, w, span, seed)
        q = draw(seed, a.step_job.shape[0])
        for _ in range(TRIES):
            if a.step_class[o] == a.step_class[q]:
                break
            q = draw(seed, a.step_job.shape[0])
        if a.step_class[o] != a.step_class[q]:
            return False
        return exchange(a, s, o, q)
    if x >= kinds[6]:
        return give_way(a, s, w, pick_step(a, s, w, span, seed), seed)
    if x >= kinds[5]:
        return regroup(a, s, w, pick_step(a, s, w, span, seed), seed)
    j = a.step_job[pick_step(a, s, w, span, seed)]
    if x >= kinds[4]:
        return put_back(a, s, w, j, seed)
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
    best_value : (VALUES,) float64
        Value of ``best_s`` (changed).
    now, trial : Scratch
        ``now`` holds the times of ``s``.
    weights : (VALUES,) float64
    order : (k,) int64
        Rows of the value in the exact order.
    kinds : (8,) float64
        Cumulative shares of step moves, block swaps, step swaps, job moves, job swaps, jobs
        put back, batches regrouped, helpers kept.
    heat : float
        Temperature: a worsening by this much is taken once in e tries.
    trials : int
    seed : (1,) int64

    Returns
    -------
    int
        Trials that were accepted.
    """
    a, now, trial = borrowed(a), borrowed(now), borrowed(trial)  # type: ignore[call-arg]
    s, t_s = borrowed(s), borrowed(t_s)  # type: ignore[call-arg]
    evaluate(a, s, now)
    cost = weighted(now.value, weights)
    span = weights[SPAN] > 0.0
    accepted = 0
    if a.step_job.shape[0] == 0:
        return 0
    for _ in range(trials):
        copy(s, t_s)
        if not try_move(a, t_s, now, kinds, span, seed) or not evaluate(a, t_s, trial):
            continue
        change = weighted(trial.value, weights) - cost
        if change <= 0.0 or chance(seed) < math.exp(-change / heat):
            accepted += 1
            cost += change
            copy(t_s, s)
            now, trial = trial, now
            if better(now.value, best_value, order):
                copy(s, best_s)
                best_value[:] = now.value
    return accepted


@njit(cache=True, nogil=True)
def typical_change(a, s, now, trial, t_s, weights, kinds, tries, seed):  # type: ignore[no-untyped-def]
    """Return the median worsening of random moves from state ``s`` (0: none worsens)."""
    a, now, trial = borrowed(a), borrowed(now), borrowed(trial)  # type: ignore[call-arg]
    s, t_s = borrowed(s), borrowed(t_s)  # type: ignore[call-arg]
    evaluate(a, s, now)
    cost = weighted(now.value, weights)
    span = weights[SPAN] > 0.0
    found = np.zeros(tries)
    count = 0
    if a.step_job.shape[0] > 0:
        for _ in range(tries):
            copy(s, t_s)
            if try_move(a, t_s, now, kinds, span, seed) and evaluate(a, t_s, trial):
                change = weighted(trial.value, weights) - cost
                if change > 1e-9:
                    found[count] = change
                    count += 1
    return np.median(found[:count]) if count > 0 else 0.0


def generator(seed: int) -> np.ndarray:
    """Return the state of a generator for ``walk``."""
    return np.array([(seed * 2654435761 + 88172645463325252) % (2**62) + 1], np.int64)

"""Bring forward what can begin sooner at nobody's cost.

A search looks at what its objective counts, so that a person may stand idle though
work waits which nobody needs soon. Each block is moved into the first idle time that
holds it, on any of its resources, if no step of the plan then ends later.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from production.planning.kernel.borrow import borrowed
from production.planning.solve.sequences.anneal import copy
from production.planning.solve.sequences.moves import link, may_run, unlink
from production.planning.solve.sequences.timing import BLK, HEAD, MEM, NEXT, STUCK, evaluate

SOONER = 1e-6  # minutes by which a start must gain


@njit(cache=True, nogil=True)
def ready_at(a, s, w, b):  # type: ignore[no-untyped-def]
    """Return from when on all members of block ``b`` could begin."""
    latest = 0.0
    o = b
    while o >= 0:
        latest = max(latest, a.step_ready[o])
        if a.step_prev[o] >= 0:
            latest = max(latest, w.end[a.step_prev[o]])
        o = s[MEM, o]
    return latest


@njit(cache=True, nogil=True)
def first_gap(a, s, w, b, r, ready, begin):  # type: ignore[no-untyped-def]
    """Return the block of ``r`` behind which ``b`` fits before ``begin`` (-1: first; -2: nowhere).

    Calendars and set-up times are left to ``evaluate``.
    """
    length = 0.0
    o = b
    while o >= 0:
        length = max(length, a.minutes[o, r])
        o = s[MEM, o]
    behind = -1
    free = max(ready, a.free_from[r])
    x = s[HEAD, r]
    while free < begin - SOONER:
        if x < 0:
            return behind
        if a.shared[r] < 0:
            if x != b and free + length <= w.start[x] + SOONER:
                return behind
            if x != b:
                free = max(free, w.end[x])
        elif w.start[x] > free:
            return behind
        if x != b:
            behind = x
        x = s[NEXT, x]
    return -2


@njit(cache=True, nogil=True)
def no_worse(trial, now):  # type: ignore[no-untyped-def]
    """Whether no step ends later in ``trial`` and none has lost its place."""
    worst = 0.0
    for o in range(now.end.shape[0]):
        worst = max(worst, trial.end[o] - now.end[o])
    return worst <= SOONER and trial.value[STUCK] <= now.value[STUCK]


@njit(cache=True, nogil=True)
def bring_forward(a, s, now, trial, room, most):  # type: ignore[no-untyped-def]
    """Let every block of state ``s`` begin as soon as it can; return how many moved.

    Parameters
    ----------
    a : Arrays
    s, room : (ROWS, width) int32
        The state (changed), and room for a trial.
    now, trial : Scratch
    most : int
        Trials after which it ends.
    """
    a, now, trial = borrowed(a), borrowed(now), borrowed(trial)  # type: ignore[call-arg]
    s, room = borrowed(s), borrowed(room)  # type: ignore[call-arg]
    moved = 0
    if not evaluate(a, s, now):
        return moved
    for b in np.argsort(now.start, kind="mergesort"):
        if s[BLK, b] != b:
            continue
        ready, begin = ready_at(a, s, now, b), now.start[b]
        for k in range(a.choice_from[b], a.choice_from[b + 1]):
            r = a.choice[k]
            if begin <= ready + SOONER or most <= 0:
                break
            behind = first_gap(a, s, now, b, r, ready, begin) if may_run(a, s, b, r) else -2
            if behind == -2:
                continue
            most -= 1
            copy(s, room)
            unlink(room, b)
            link(room, b, r, behind)
            sooner = evaluate(a, room, trial) and trial.start[b] < begin - SOONER
            if sooner and no_worse(trial, now):
                copy(room, s)
                now, trial = trial, now
                begin = now.start[b]
                moved += 1
    return moved

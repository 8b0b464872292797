"""Bring shapes apart that overlap: guided local search.

Shapes that overlap are moved one after the other to the best of many places tried; pairs
that stay in conflict weigh more from round to round, so that the search leaves dead ends
(Voudouris and Tsang 1999; for nesting Egeblad, Nielsen and Odgaard 2007, EJOR 183).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from geometry.plates.overlap import energy_of, pair_energy, step_apart, wall_energy

DESCENT_STEPS = 12
KEPT = 3
_HEAVIER = 1.6
_FORGET = 0.95
_FREE = 1e-6


@njit(cache=True, nogil=True)
def descend(packed, kinds, poses, weights, k, x, y, t, width, depth, gap, steps):  # type: ignore[no-untyped-def]
    """Move shape ``k`` downhill from a pose; return (energy, x, y, turn) of the best."""
    best, bx, by, bt = 1e300, x, y, t
    stale = 0
    for _ in range(steps):
        found, nx, ny, nt = step_apart(packed, kinds, poses, weights, k, x, y, t, width, depth, gap)
        stale = 0 if found < 0.97 * best else stale + 1
        if found < best:
            best, bx, by, bt = found, x, y, t
        if best <= _FREE or stale == 3:
            break
        x, y, t = nx, ny, nt
    return best, bx, by, bt


@njit(cache=True, nogil=True)
def best_place(packed, kinds, poses, weights, k, width, depth, gap, wide, near, low):  # type: ignore[no-untyped-def]
    """Try places for shape ``k`` all over the plate and near its own.

    Parameters
    ----------
    wide, near : int
        How many of each.
    low : bool
        Among places without conflict take the one nearest to the plate's front
        left corner (all places are tried then).

    Returns
    -------
    energy, x, y, turn
    """
    size = packed[7][kinds[k]]
    top = np.full((KEPT, 4), 1e300)
    lowest = 1e300
    fx, fy, ft = 0.0, 0.0, 0.0
    for s in range(wide + near):
        if s < wide:
            edge = min(0.3 * size, 0.5 * width, 0.5 * depth)
            x = edge + np.random.random() * (width - 2.0 * edge)
            y = edge + np.random.random() * (depth - 2.0 * edge)
            t = np.random.random() * 2.0 * math.pi
        else:
            x = poses[k, 0] + np.random.normal() * 0.15 * size
            y = poses[k, 1] + np.random.normal() * 0.15 * size
            t = poses[k, 2] + np.random.normal() * 0.25
            if s % 4 == 0:
                t += math.pi
        if low and lowest < 1e299 and y + 0.3 * x >= lowest:
            continue
        found = energy_of(
            packed, kinds, poses, weights, k, x, y, t, width, depth, gap, top[KEPT - 1, 0]
        )
        if low and found <= _FREE:
            lowest, fx, fy, ft = y + 0.3 * x, x, y, t
        if found >= top[KEPT - 1, 0]:
            continue
        at = KEPT - 1
        while at > 0 and top[at - 1, 0] > found:
            top[at] = top[at - 1]
            at -= 1
        top[at, 0], top[at, 1], top[at, 2], top[at, 3] = found, x, y, t
    if lowest < 1e299:
        return 0.0, fx, fy, ft
    best, bx, by, bt = 1e300, 0.0, 0.0, 0.0
    for i in range(KEPT):
        if top[i, 0] > 1e299:
            break
        e, x, y, t = descend(
            packed, kinds, poses, weights, k, top[i, 1], top[i, 2], top[i, 3],
            width, depth, gap, DESCENT_STEPS,
        )  # fmt: skip
        if e < best:
            best, bx, by, bt = e, x, y, t
    return best, bx, by, bt


@njit(cache=True, nogil=True)
def conflicts(packed, kinds, poses, width, depth, gap):  # type: ignore[no-untyped-def]
    """Unweighted energies: (n, n + 1) of pairs, and of the plate's edge in the last column."""
    n = poses.shape[0]
    out = np.zeros((n, n + 1))
    for i in range(n):
        xi, yi, ti = poses[i, 0], poses[i, 1], poses[i, 2]
        out[i, n] = wall_energy(packed, kinds[i], xi, yi, ti, width, depth)
        for j in range(i):
            e = pair_energy(
                packed, kinds[i], xi, yi, ti,
                kinds[j], poses[j, 0], poses[j, 1], poses[j, 2], gap, 1e300,
            )  # fmt: skip
            out[i, j] = e
            out[j, i] = e
    return out


@njit(cache=True, nogil=True)
def separate(packed, kinds, poses, weights, width, depth, gap, rounds, tries, enough):  # type: ignore[no-untyped-def]
    """Move shapes (in place) until none is in conflict, for at most ``rounds`` rounds.

    Returns
    -------
    float
        The sum of the conflicts left; at most ``enough`` when it worked.
    """
    n = poses.shape[0]
    left = 0.0
    for _ in range(rounds):
        clash = conflicts(packed, kinds, poses, width, depth, gap)
        left = clash[:, :n].sum() / 2.0 + clash[:, n].sum()
        if left <= enough:
            return left
        most = clash.max()
        for i in range(n):
            for j in range(n + 1):
                if clash[i, j] > _FREE:
                    weights[i, j] *= 1.0 + (_HEAVIER - 1.0) * math.sqrt(clash[i, j] / most)
                else:
                    weights[i, j] = max(1.0, _FORGET * weights[i, j])
        order = np.random.permutation(n)
        for k in order:
            x, y, t = poses[k, 0], poses[k, 1], poses[k, 2]
            now = energy_of(packed, kinds, poses, weights, k, x, y, t, width, depth, gap, 1e300)
            if now <= _FREE:
                continue
            e, x, y, t = descend(
                packed, kinds, poses, weights, k, x, y, t, width, depth, gap, DESCENT_STEPS
            )
            if e > _FREE and tries > 0:
                e2, x2, y2, t2 = best_place(
                    packed, kinds, poses, weights, k, width, depth, gap, tries, tries // 2, False
                )
                if e2 < e:
                    e, x, y, t = e2, x2, y2, t2
            if e < now:
                poses[k, 0], poses[k, 1], poses[k, 2] = x, y, t
    clash = conflicts(packed, kinds, poses, width, depth, gap)
    return clash[:, :n].sum() / 2.0 + clash[:, n].sum()


@njit(cache=True, nogil=True)
def seed(number):  # type: ignore[no-untyped-def]
    """Start the compiled code's own stream of random numbers."""
    np.random.seed(number)

"""Bring shapes apart that overlap: basin hopping.

All shapes that are too near slide apart together until nothing improves; then one of the
worst is put elsewhere, two are exchanged, or all are shaken, and what comes of it is kept
when it is better, or not much worse (Wales and Doye 1997, J. Phys. Chem. A 101; overlap as
what is made small after Egeblad, Nielsen and Odgaard 2007, EJOR 183).

Shapes may go in pairs that stay point-symmetric about the plate's middle: ``twin`` (n,) int64
names each one's mate, -1 for none. Full plates often look so, and half as much is to be found.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from geometry.plates.overlap import energy_of, step_apart

SWEEPS = 60
KEPT = 3
PATIENCE = 6
"""Sweeps without 2 % less energy before shapes are taken to lie still."""

_DESCENT_STEPS = 12
_FREE = 1e-6
_WARMTH = 0.05
"""A change for the worse by this share is kept about once in three times."""
_PLACES, _NEAR = 20, 10
_SHAKEN_MM, _SHAKEN_TURN = 6.0, 0.3


@njit(cache=True, nogil=True)
def descend(packed, kinds, poses, k, x, y, t, width, depth, gap, steps):  # type: ignore[no-untyped-def]
    """Move shape ``k`` downhill from a pose; return (energy, x, y, turn) of the best."""
    n = poses.shape[0]
    drift, free = np.zeros(n), np.zeros((n, n))
    size = packed[7][kinds[k]]
    best, bx, by, bt = 1e300, x, y, t
    stale = 0
    for _ in range(steps):
        found, nx, ny, nt = step_apart(
            packed, kinds, poses, k, x, y, t, width, depth, gap, drift, free
        )
        drift[k] += math.hypot(nx - x, ny - y) + size * abs(nt - t)
        stale = 0 if found < 0.97 * best else stale + 1
        if found < best:
            best, bx, by, bt = found, x, y, t
        if best <= _FREE or stale == 3:
            break
        x, y, t = nx, ny, nt
    return best, bx, by, bt


@njit(cache=True, nogil=True)
def best_place(packed, kinds, poses, k, width, depth, gap, wide, near, low):  # type: ignore[no-untyped-def]
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
        found = energy_of(packed, kinds, poses, k, x, y, t, width, depth, gap, top[KEPT - 1, 0])
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
            packed, kinds, poses, k, top[i, 1], top[i, 2], top[i, 3],
            width, depth, gap, _DESCENT_STEPS,
        )  # fmt: skip
        if e < best:
            best, bx, by, bt = e, x, y, t
    return best, bx, by, bt


@njit(cache=True, nogil=True)
def _follow(packed, kinds, poses, twin, k, width, depth, drift):  # type: ignore[no-untyped-def]
    """Put the mate of shape ``k`` opposite (in place)."""
    j = twin[k]
    if j >= 0:
        x, y, t = width - poses[k, 0], depth - poses[k, 1], poses[k, 2] + math.pi
        turned = abs((t - poses[j, 2] + math.pi) % (2.0 * math.pi) - math.pi)
        drift[j] += math.hypot(x - poses[j, 0], y - poses[j, 1]) + packed[7][kinds[j]] * turned
        poses[j, 0], poses[j, 1], poses[j, 2] = x, y, t


@njit(cache=True, nogil=True)
def relax(packed, kinds, poses, twin, width, depth, gap, drift, free, sweeps, enough):  # type: ignore[no-untyped-def]
    """Let all shapes slide apart (in place) until little changes.

    Parameters
    ----------
    drift, free
        As for :func:`geometry.plates.overlap.step_apart`.
    sweeps : int
        At most so many rounds over all shapes.
    enough : float
        Energy at which nothing is left to do.

    Returns
    -------
    energy : float
        Of the poses.
    shares : (n,) float64
        By shape.
    rounds : int
        How many there were.
    """
    n = poses.shape[0]
    shares = np.zeros(n)
    best, stale, rounds = 1e300, 0, 0
    alike = True  # then a mate looks at what its mate looks at
    for k in range(n):
        alike = alike and twin[k] >= 0 and kinds[twin[k]] == kinds[k]
    while True:
        total = 0.0
        last = rounds >= sweeps or stale >= PATIENCE
        for k in range(n):
            if alike and twin[k] < k:
                shares[k] = shares[twin[k]]
                total += shares[k]
                continue
            e, x, y, t = step_apart(
                packed, kinds, poses, k, poses[k, 0], poses[k, 1], poses[k, 2],
                width, depth, gap, drift, free,
            )  # fmt: skip
            shares[k] = e
            total += e
            if e > _FREE and not last:
                drift[k] += math.hypot(x - poses[k, 0], y - poses[k, 1])
                drift[k] += packed[7][kinds[k]] * abs(t - poses[k, 2])
                poses[k, 0], poses[k, 1], poses[k, 2] = x, y, t
                _follow(packed, kinds, poses, twin, k, width, depth, drift)
        if last or total <= enough:
            return total, shares, rounds
        rounds += 1
        stale = 0 if total < 0.98 * best else stale + 1
        best = min(best, total)


@njit(cache=True, nogil=True)
def _changed(packed, kinds, poses, twin, shares, width, depth, gap, drift):  # type: ignore[no-untyped-def]
    """Put shapes elsewhere (in place): one of the worst, two in exchange, or all a little."""
    n = poses.shape[0]
    left = np.random.random() * shares.sum()
    k = 0
    while k < n - 1 and left > shares[k]:
        left -= shares[k]
        k += 1
    if np.random.random() < 0.25:
        k = np.random.randint(n)
    kind = np.random.random()
    far = 1e6
    if kind < 0.5:
        _, x, y, t = best_place(packed, kinds, poses, k, width, depth, gap, _PLACES, _NEAR, False)
        poses[k, 0], poses[k, 1], poses[k, 2] = x, y, t
        drift[k] += far
        _follow(packed, kinds, poses, twin, k, width, depth, drift)
    elif kind < 0.65:
        j = np.random.randint(n)
        for axis in range(3):
            poses[k, axis], poses[j, axis] = poses[j, axis], poses[k, axis]
        poses[k, 2] += math.pi * np.random.randint(2)
        poses[j, 2] += math.pi * np.random.randint(2)
        drift[k] += far
        drift[j] += far
        _follow(packed, kinds, poses, twin, k, width, depth, drift)
        _follow(packed, kinds, poses, twin, j, width, depth, drift)
    elif kind < 0.75:
        poses[k, 2] += math.pi if np.random.random() < 0.5 else np.random.normal()
        drift[k] += far
        _follow(packed, kinds, poses, twin, k, width, depth, drift)
    else:
        strength = np.random.random()
        for i in range(n):
            if 0 <= twin[i] < i:
                continue
            poses[i, 0] += np.random.normal() * strength * _SHAKEN_MM
            poses[i, 1] += np.random.normal() * strength * _SHAKEN_MM
            poses[i, 2] += np.random.normal() * strength * _SHAKEN_TURN
            drift[i] += far
            _follow(packed, kinds, poses, twin, i, width, depth, drift)


@njit(cache=True, nogil=True)
def hop(packed, kinds, poses, twin, width, depth, gap, enough, vain, most):  # type: ignore[no-untyped-def]
    """Look for poses without conflict (in place) from the ones given.

    Parameters
    ----------
    enough : float
        Energy at which the search has found what it looks for.
    vain : int
        Changes without a better result before it gives up.
    most : int
        Rounds over all shapes before it gives up.

    Returns
    -------
    energy : float
        Of the best poses, which ``poses`` then holds.
    rounds, changes : int
        How many rounds over all shapes there were, and changes tried.
    """
    n = poses.shape[0]
    drift, free = np.zeros(n), np.zeros((n, n))
    now, shares, rounds = relax(
        packed, kinds, poses, twin, width, depth, gap, drift, free, 2 * SWEEPS, enough
    )
    best, best_poses = now, poses.copy()
    since, changes = 0, 0
    while best > enough and since < vain and rounds < most:
        trial, trial_drift, trial_free = poses.copy(), drift.copy(), free.copy()
        _changed(packed, kinds, trial, twin, shares, width, depth, gap, trial_drift)
        found, its_shares, took = relax(
            packed,
            kinds,
            trial,
            twin,
            width,
            depth,
            gap,
            trial_drift,
            trial_free,
            SWEEPS,
            enough,
        )
        rounds += took
        changes += 1
        if found < now or np.random.random() < math.exp((now - found) / (_WARMTH * now + 1e-9)):
            poses[:], now, shares = trial, found, its_shares
            drift, free = trial_drift, trial_free
        since += 1
        if now < 0.999 * best:
            best, since = now, 0
            best_poses[:] = poses
    poses[:] = best_poses
    return best, rounds, changes


@njit(cache=True, nogil=True)
def seed(number):  # type: ignore[no-untyped-def]
    """Start the compiled code's own stream of random numbers."""
    np.random.seed(number)

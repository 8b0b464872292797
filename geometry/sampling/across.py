"""What a place stands out by over its like across the mouth.

The two sides of a mouth are about mirror images, tooth by tooth: moisture is not. The
surroundings of a place are mirrored and laid onto the other side (point to plane, trimmed, from
places along the arch, since the sides are not set up alike), the place itself left out; what it
then stands out by is its own. How far apart the surroundings lie tells what that is worth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

_AROUND_MM, _LEFT_OUT_MM, _TOP_MM = 6.0, 1.8, 0.7
_MOST_POINTS, _FEWEST_POINTS = 400, 40
# Half a front tooth's width to either side along the arch, which bends about a place so far back.
_STARTS_MM, _BEND_MM = (0.0, 2.2, -2.2), 25.0
_ROUNDS, _TRIM, _TRIM_LEAST_MM, _FAR_MM = 8, 0.7, 0.05, 3.0
_FACING_SAME = 0.6
# Holds still what the surroundings do not tell, such as a turn about a round crown's axis.
_HOLD, _MOST_TURN_RAD, _SETTLED = 5e-4, 0.15, 1e-3
# Surroundings that differ by more are no likes: a tooth is missing there, or stands otherwise.
_ALIKE_MM = 0.5
# Nearer to the middle a place is its own like.
_MIDDLE_MM = 2.5
# Log odds for a millimetre that a place stands out by, and for one beyond what its surroundings
# differ by; and where the other side is known at all. Chosen on generated mouths of three kinds.
_OWN, _OWN_MOST_MM = 2.0, 0.6
_BEYOND, _BEYOND_MOST_MM, _DIFFER, _DIFFER_MOST_MM = 1.7, 0.5, 1.5, 0.9
_LIKE_ODDS = -0.55
MOST_ODDS = _OWN * _OWN_MOST_MM + _BEYOND * _BEYOND_MOST_MM + _LIKE_ODDS
LEAST_ODDS = _LIKE_ODDS - _BEYOND * _BEYOND_MOST_MM
"""The most that the other side can add to the log odds of a drop, and the most it can take."""


def _turned(w: Array) -> Array:
    """Rotation matrix by the vector ``w``, at most ``_MOST_TURN_RAD``."""
    angle = float(np.linalg.norm(w))
    if angle < 1e-9:
        return np.eye(3)
    x, y, z = w / angle
    k = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = min(angle, _MOST_TURN_RAD)
    return np.asarray(np.eye(3) + np.sin(angle) * k + (1.0 - np.cos(angle)) * (k @ k))


def _laid_on(
    patch: Array,
    facing: Array,
    counted: NDArray[np.bool_],
    points: Array,
    normals: Array,
    tree: cKDTree,
    shift: Array,
) -> Array | None:
    """Lay a patch, given about its own place, onto a surface; (n,) mm over it, NaN off it."""
    turn, move = np.eye(3), shift
    for last in range(_ROUNDS + 1):
        arm = patch @ turn.T
        away, at = tree.query(arm + move, distance_upper_bound=_FAR_MM)
        near = np.isfinite(away)
        at = np.where(near, at, 0)
        over = ((arm + move - points[at]) * normals[at]).sum(axis=1)
        near &= ((facing @ turn.T) * normals[at]).sum(axis=1) > _FACING_SAME
        if last == _ROUNDS:
            break
        used = near & counted
        if used.sum() < _FEWEST_POINTS:
            return None
        limit = max(float(np.quantile(np.abs(over[used]), _TRIM)), _TRIM_LEAST_MM)
        used &= np.abs(over) <= limit
        lever = np.hstack([np.cross(arm[used], normals[at[used]]), normals[at[used]]])
        hold = _HOLD * float(used.sum()) * np.eye(6)
        step = np.linalg.solve(lever.T @ lever + hold, -lever.T @ over[used])
        turn, move = _turned(step[:3]) @ turn, move + step[3:]
        if float(np.linalg.norm(step)) < _SETTLED:
            break
    return np.asarray(np.where(near, over, np.nan))


def over_the_other_side(
    points: Array,
    normals: Array,
    tree: cKDTree,
    tops: NDArray[np.int64],
    origin: Array,
    axes: Array,
) -> Array:
    """By how much places stand out over the mirrored other side of the mouth.

    Parameters
    ----------
    points, normals : (n, 3) float64
        Vertices evenly spaced, and their outward unit normals.
    tree : cKDTree
        Of ``points``.
    tops : (k,) int64
        The vertices asked about.
    origin : (3,) float64
        A point in the middle of the arch.
    axes : (3, 3) float64
        Rows: unit vectors to the right, to the front and up.

    Returns
    -------
    (k, 2) float64
        What each stands out by, and what seven of ten places around it differ by at most, mm;
        NaN in the middle of the mouth and where the other side is not alike or was not scanned.
    """
    out = np.full((len(tops), 2), np.nan)
    mirror = np.eye(3) - 2.0 * np.outer(axes[0], axes[0])
    for k, top in enumerate(tops.tolist()):
        local = axes @ (points[top] - origin)
        if abs(local[0]) < _MIDDLE_MM:
            continue
        own = np.sort(np.array(tree.query_ball_point(points[top], _AROUND_MM), dtype=np.int64))
        far = np.linalg.norm(points[own] - points[top], axis=1)
        thin = (np.arange(len(own)) % max(len(own) // _MOST_POINTS, 1) == 0) | (far < _TOP_MM)
        own, far = own[thin], far[thin]
        patch, facing = (points[own] - points[top]) @ mirror, normals[own] @ mirror
        place = origin + mirror @ (points[top] - origin)
        along = np.array([local[1] + _BEND_MM, local[0], 0.0]) @ axes
        along /= max(float(np.linalg.norm(along)), 1.0)
        counted = far > _LEFT_OUT_MM
        best = _ALIKE_MM
        for start in _STARTS_MM:
            over = _laid_on(patch, facing, counted, points, normals, tree, place + start * along)
            if over is None:
                continue
            around = np.nan_to_num(np.abs(over[counted]), nan=_FAR_MM)
            here = over[far < _TOP_MM]
            here = here[~np.isnan(here)]
            apart = float(np.quantile(around, _TRIM))
            if len(here) and apart < best:
                best = apart
                out[k] = float(np.median(here)), apart
    return out


def unlike_odds(over: Array) -> Array:
    """Log odds that each place is a drop, to add to what else tells it, (k,).

    ``over`` is from :func:`over_the_other_side`; where that is not known nothing is added.
    """
    own, apart = np.nan_to_num(over).T
    beyond = own - np.minimum(_DIFFER * apart, _DIFFER_MOST_MM)
    odds = _OWN * np.clip(own, 0.0, _OWN_MOST_MM) + _LIKE_ODDS
    odds += _BEYOND * np.clip(beyond, -_BEYOND_MOST_MM, _BEYOND_MOST_MM)
    return np.where(np.isnan(over[:, 0]), 0.0, odds)

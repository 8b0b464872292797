"""Thorns: what stands out of the surface higher than it is thick.

A spike of one vertex shows by its neighbours. On a fine scan the same spike has many vertices, and
each lies near its own neighbours. But no cusp, edge or papilla is as thin: a millimetre below the
tip of one it is wider than a millimetre, in some direction at least.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

DEPTH_MM, RADIUS_MM = 1.0, 0.5
"""So far below its tip a thorn lies within this distance of its axis on all sides."""
STEP_MM, MOST_MM = 0.25, 6.0
"""Heights are told in such steps, up to the highest."""
_BALL_MM = (1.0, 2.0, 3.0)
"""The axis points to the tip from the middle of what lies this near; farther, where edges are so
long that the tip is alone."""
_STANDS_MM = 0.25
_LOOKED_MM, _WALL_DEEP_MM, _WIDE = 3.2, 0.75, float(np.cos(np.pi / 6.0))
_WALL_MM, _WALL_LOW_MM, _LOW_MM = 1.3, 2.5, 1.75
"""The tip of a papilla, or a crumb between two crowns, has surface beside or over it this near,
across this angle and more; a thorn stands free, and a low one is believed only if it stands free
far around."""
_HIGHER_MM = 0.3
_FALLS = 0.15
"""From a tip the surface falls away to every neighbour, by the sine of this slope at least."""
_MOST, _ENOUGH = 4000, 12


@njit(cache=True, nogil=True)
def thin_ones(points, start, vertex, inner, off, least_mm, height, axis):  # type: ignore[no-untyped-def]
    """Fill ``height`` (n,), 0 for none, and ``axis`` (n, 3) of the vertices that are thorns' tips.

    Parameters
    ----------
    points : (n, 3) float64, mm
    start, vertex : neighbours of each vertex, as ``Topology`` has them
    inner : (n,) bool
        Neither on a border nor beside one.
    off : (n,) float64
        Distance of each vertex from the mean of its neighbours, mm; of tips ``least_mm`` or more.
    """
    seen = np.full(points.shape[0], -1, dtype=np.int64)
    queue = np.empty(_MOST, dtype=np.int64)
    mark = 0
    for tip in range(points.shape[0]):
        if off[tip] < least_mm or not inner[tip]:
            continue
        px, py, pz = points[tip, 0], points[tip, 1], points[tip, 2]
        ax, ay, az = 0.0, 0.0, 0.0
        for e in range(start[tip], start[tip + 1]):
            w = vertex[e]
            ax, ay, az = ax + px - points[w, 0], ay + py - points[w, 1], az + pz - points[w, 2]
        length = np.sqrt(ax * ax + ay * ay + az * az)
        falls = length > 0.0
        for e in range(start[tip], start[tip + 1]):
            w = vertex[e]
            x, y, z = px - points[w, 0], py - points[w, 1], pz - points[w, 2]
            falls &= x * ax + y * ay + z * az > _FALLS * length * np.sqrt(x * x + y * y + z * z)
        if not falls:
            continue
        length = 0.0
        for ball in _BALL_MM:
            # The middle of what hangs together within the ball.
            mark += 1
            queue[0], count, seen[tip] = tip, 1, mark
            ax, ay, az = 0.0, 0.0, 0.0
            at = 0
            while at < count:
                v = queue[at]
                at += 1
                ax += px - points[v, 0]
                ay += py - points[v, 1]
                az += pz - points[v, 2]
                for e in range(start[v], start[v + 1]):
                    w = vertex[e]
                    if seen[w] == mark or count == _MOST:
                        continue
                    x, y, z = points[w, 0] - px, points[w, 1] - py, points[w, 2] - pz
                    if x * x + y * y + z * z < ball * ball:
                        seen[w] = mark
                        queue[count] = w
                        count += 1
            length = np.sqrt(ax * ax + ay * ay + az * az)
            if length >= _STANDS_MM * count or count >= _ENOUGH:
                break
        if length < _STANDS_MM * count:
            continue
        ax, ay, az = ax / length, ay / length, az / length
        # What hangs together less deep than ``depth`` has to end within the radius.
        depth, found = DEPTH_MM, 0.0
        while depth <= MOST_MM:
            mark += 1
            queue[0], count, seen[tip] = tip, 1, mark
            at, thin = 0, True
            while at < count and thin:
                v = queue[at]
                at += 1
                for e in range(start[v], start[v + 1]):
                    w = vertex[e]
                    if seen[w] == mark:
                        continue
                    x, y, z = px - points[w, 0], py - points[w, 1], pz - points[w, 2]
                    below = x * ax + y * ay + z * az
                    if below >= depth:
                        continue
                    beside = x * x + y * y + z * z - below * below
                    if (
                        beside > RADIUS_MM * RADIUS_MM
                        or below < -_HIGHER_MM
                        or not inner[w]
                        or count == _MOST
                    ):
                        thin = False
                        break
                    seen[w] = mark
                    queue[count] = w
                    count += 1
            if not thin:
                break
            found = depth
            depth += STEP_MM
        if found > 0.0:
            height[tip] = found
            axis[tip, 0], axis[tip, 1], axis[tip, 2] = ax, ay, az


def walled(points: Array, tips: Array, axis: Array, height: Array) -> NDArray[np.bool_]:
    """Which thorns have a wall beside their tip, as a papilla has.

    Parameters
    ----------
    points : (n, 3) float64
        Vertices of the surface, mm.
    tips, axis : (k, 3) float64
    height : (k,) float64

    Returns
    -------
    (k,) bool
    """
    out = np.zeros(len(tips), dtype=np.bool_)
    tree = cKDTree(points)
    for k in range(len(tips)):
        apart = points[tree.query_ball_point(tips[k], _LOOKED_MM)] - tips[k]
        below = -apart @ axis[k]
        beside = apart + below[:, None] * axis[k]
        far = np.linalg.norm(beside, axis=1)
        near = _WALL_MM if height[k] >= _LOW_MM else _WALL_LOW_MM
        wall = (below < _WALL_DEEP_MM) & (far > RADIUS_MM) & (far < near)
        if wall.any():
            ways = beside[wall] / far[wall, None]
            out[k] = bool((ways @ ways.T).min() < _WIDE)
    return out

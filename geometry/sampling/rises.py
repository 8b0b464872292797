"""How far a place rises over its foot, direction by direction."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

SECTORS = 12
_RING_MM, _RINGS = 0.3, 11
# Foot of a drop or film, and how far beyond it the ground is looked at.
_FEET_MM, _BEYOND_MM = (1.05, 1.35, 1.65, 2.0), 0.8
_REACH_MM = 3.2
# Surface that turns its back is another wall; so is what lies this far off.
_TURNED, _OTHER_WALL_MM = -0.3, 4.0
# Ground that climbs away from the foot counts as no steeper than this.
_STEEPEST = 0.35
_UNSEEN_MM = -9.0
_LEAST_WEIGHT = 0.25
# A foot is looked for at these rings, between slopes over so many rings before and after.
_FOOT_RINGS, _SLOPE_RINGS = (2, 7), 2


@njit(cache=True, nogil=True)
def _profiles(points, facing, start, neighbour, tops, heights):  # type: ignore[no-untyped-def]
    """Fill the mean height (tops, sectors, rings) around each top along its normal.

    Only surface joined to the top counts; NaN where there is none.
    """
    seen = np.full(points.shape[0], -1, dtype=np.int32)
    queue = np.empty(points.shape[0], dtype=np.int32)
    weight = np.empty((SECTORS, _RINGS))
    total = np.empty((SECTORS, _RINGS))
    for k in range(tops.size):
        top = tops[k]
        nx, ny, nz = facing[top, 0], facing[top, 1], facing[top, 2]
        ux, uy, uz = (0.0, nz, -ny) if abs(nx) < 0.7 else (-nz, 0.0, nx)
        length = np.sqrt(ux * ux + uy * uy + uz * uz) + 1e-300
        ux, uy, uz = ux / length, uy / length, uz / length
        vx, vy, vz = ny * uz - nz * uy, nz * ux - nx * uz, nx * uy - ny * ux
        weight[:] = 0.0
        total[:] = 0.0
        queue[0] = top
        seen[top] = k
        head, tail = 0, 1
        while head < tail:
            at = queue[head]
            head += 1
            dx = points[at, 0] - points[top, 0]
            dy = points[at, 1] - points[top, 1]
            dz = points[at, 2] - points[top, 2]
            height = dx * nx + dy * ny + dz * nz
            a = dx * ux + dy * uy + dz * uz
            b = dx * vx + dy * vy + dz * vz
            away = np.sqrt(a * a + b * b)
            turn = facing[at, 0] * nx + facing[at, 1] * ny + facing[at, 2] * nz
            if away > _REACH_MM or abs(height) > _OTHER_WALL_MM or turn < _TURNED:
                continue
            place = (np.arctan2(b, a) / (2.0 * np.pi) + 0.5) * SECTORS - 0.5
            sector = int(np.floor(place))
            beside = place - sector
            place = away / _RING_MM - 0.5
            ring = int(np.floor(place))
            further = place - ring
            for i in range(2):
                s = (sector + i) % SECTORS
                for j in range(2):
                    r = max(ring + j, 0)
                    if r < _RINGS:
                        share = (beside if i else 1.0 - beside) * (further if j else 1.0 - further)
                        weight[s, r] += share
                        total[s, r] += share * height
            for e in range(start[at], start[at + 1]):
                other = neighbour[e]
                if seen[other] != k:
                    seen[other] = k
                    queue[tail] = other
                    tail += 1
        for s in range(SECTORS):
            for r in range(_RINGS):
                enough = weight[s, r] > _LEAST_WEIGHT
                heights[k, s, r] = total[s, r] / weight[s, r] if enough else np.nan


def _at(heights: Array, reach: float) -> Array:
    place = reach / _RING_MM - 0.5
    ring = int(place)
    return heights[:, :, ring] * (ring + 1 - place) + heights[:, :, ring + 1] * (place - ring)


def profiles(
    points: Array,
    facing: Array,
    start: NDArray[np.int32],
    neighbour: NDArray[np.int32],
    tops: NDArray[np.int64],
) -> Array:
    """Heights around each of ``tops`` along its normal, (k, ``SECTORS``, rings) mm.

    Parameters
    ----------
    points, facing : (n, 3) float64
        Vertices and unit normals pointing outward.
    start, neighbour : compressed rows of each vertex's neighbours
    tops : (k,) int64

    Returns
    -------
    (k, ``SECTORS``, rings) float64
        NaN where there is no surface joined to the top.
    """
    heights = np.empty((len(tops), SECTORS, _RINGS))
    _profiles(points, facing, start, neighbour, tops, heights)
    return heights


def rises(heights: Array) -> tuple[Array, Array]:
    """Rise of each top over the ground beyond its foot.

    In each direction the ground beyond the foot is carried on straight to below the top:
    a cusp or a ridge rises little over it, a drop stands on it all around. Of several
    reaches of the foot the one with the largest least rise is taken.

    Parameters
    ----------
    heights : from :func:`profiles`

    Returns
    -------
    least, middle : (k,) float64
        The least and the median of all directions, mm; the least is far below 0 where
        there is no ground in some direction.
    """
    least = np.full(len(heights), _UNSEEN_MM)
    middle = np.full(len(heights), _UNSEEN_MM)
    for foot in _FEET_MM:
        at_foot = _at(heights, foot)
        climb = (_at(heights, foot + _BEYOND_MM) - at_foot) / _BEYOND_MM
        rise = np.minimum(climb, _STEEPEST) * foot - at_foot
        rise[np.isnan(rise)] = _UNSEEN_MM
        even = 0.25 * np.roll(rise, 1, axis=1) + 0.5 * rise + 0.25 * np.roll(rise, -1, axis=1)
        lowest = even.min(axis=1)
        better = lowest > least
        least[better] = lowest[better]
        middle[better] = np.median(rise, axis=1)[better]
    return least, middle


def feet(heights: Array) -> tuple[Array, Array]:
    """How sharply the surface turns outward at the foot of each top, and how deep that lies.

    A crown's bulge falls away round, a drop ends on the surface that it lies on. In each
    direction the foot is where the profile turns most within 0.7 to 2.3 mm.

    Parameters
    ----------
    heights : from :func:`profiles`

    Returns
    -------
    turn : (k, ``SECTORS``) float64
        Turns, radians, from the direction that turns least; far below 0 where there is no
        ground.
    depth : (k,) float64
        Depth of the foot, mm: a fifth of the directions is less deep.
    """
    turn = np.full(heights.shape[:2], _UNSEEN_MM)
    depth = np.zeros(heights.shape[:2])
    for ring in range(_FOOT_RINGS[0], _FOOT_RINGS[1] + 1):
        here, run = heights[:, :, ring], _SLOPE_RINGS * _RING_MM
        before = (here - heights[:, :, ring - _SLOPE_RINGS]) / run
        after = (heights[:, :, ring + _SLOPE_RINGS] - here) / run
        kink = np.arctan(after) - np.arctan(before)
        better = kink > turn
        turn[better], depth[better] = kink[better], -here[better]
    return np.sort(turn, axis=1), np.percentile(depth, 20.0, axis=1)

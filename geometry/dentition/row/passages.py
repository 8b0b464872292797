"""The free space between neighbouring crowns, level by level.

Rays along the arch run from one crown to the next. Where one of them meets air between the
two, the walls on either side of it are looked up; the least distance of these walls is the
width of the passage at that height. Seen so, a wall that is hollow below its height of
contour hides nothing, as it does from above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.spatial import cKDTree

from geometry.dentition.gum.triangle import parts_of, twice_area
from geometry.dentition.row.archline import STEP_MM, ArchLine, place, places
from geometry.dentition.row.spaces import CELL_MM, HALF_MM

Array = NDArray[np.float64]

ACROSS_MM, LEVEL_MM = 0.2, 0.1
REACH_MM = 7.5
TOP_MM, LOWEST_MM = 4.0, -11.0
WALLS = 8
"""Walls that one ray may meet between the middles of two crowns; further ones are left out."""

CALM = 5
"""Levels over which the width is smoothed by a running median: single rays graze a wall."""


@dataclass(frozen=True, slots=True)
class Passage:
    """Free space between two neighbouring crowns.

    Attributes
    ----------
    bottom : float
        Height at which crowns or gum close it from the lips to the tongue, mm.
    widths : (m,) float64
        Least distance of the two crowns at each ``LEVEL_MM`` from there upwards, mm.
    middles : (m, 2) float64
        Place midway between where they are nearest, (right, anterior) mm.
    clear_mm : float
        Least distance of the two crowns as seen from above, each over a height of its own;
        infinite where one of them has no wall there.
    """

    bottom: float
    widths: Array
    middles: Array
    clear_mm: float


@njit(cache=True, nogil=True)
def _meet(sn, height, faces, middles, count, at, leaving):  # type: ignore[no-untyped-def]
    """Where rays along the arch meet the surface, and whether they leave it there.

    ``middles`` are the arc lengths that part the row; rays between two of them belong
    together. ``count`` says how many walls each ray met; ``at`` and ``leaving`` tell them.
    """
    pairs, columns, levels = count.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        sa, sb, sc = sn[a, 0], sn[b, 0], sn[c, 0]
        low, high = min(sa, sb, sc), max(sa, sb, sc)
        if high - low > 4.0 or high < middles[0] or low > middles[pairs]:
            continue
        ia = (sn[a, 1] + REACH_MM) / ACROSS_MM
        ib = (sn[b, 1] + REACH_MM) / ACROSS_MM
        ic = (sn[c, 1] + REACH_MM) / ACROSS_MM
        ja = (TOP_MM - height[a]) / LEVEL_MM
        jb = (TOP_MM - height[b]) / LEVEL_MM
        jc = (TOP_MM - height[c]) / LEVEL_MM
        det = twice_area(ia, ja, ib, jb, ic, jc)
        if abs(det) < 1e-12:
            continue
        i0 = max(int(np.ceil(min(ia, ib, ic))), 0)
        i1 = min(int(np.floor(max(ia, ib, ic))), columns - 1)
        j0 = max(int(np.ceil(min(ja, jb, jc))), 0)
        j1 = min(int(np.floor(max(ja, jb, jc))), levels - 1)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                p, q = parts_of(i, j, ia, ja, ib, jb, ic, jc, det)
                if p < -1e-6 or q < -1e-6 or p + q > 1.0 + 1e-6:
                    continue
                s = sa + p * (sb - sa) + q * (sc - sa)
                k = np.searchsorted(middles, s) - 1
                if k < 0 or k >= pairs or count[k, i, j] >= WALLS:
                    continue
                at[k, i, j, count[k, i, j]] = s
                leaving[k, i, j, count[k, i, j]] = det > 0.0
                count[k, i, j] += 1


@njit(cache=True, nogil=True)
def _walls(count, at, leaving, contact, over, walls):  # type: ignore[no-untyped-def]
    """Both ends of the air nearest to ``contact`` on each ray; NaN where all is solid.

    An end is infinite where no wall stands before the middle of the crown. ``over`` is the
    height of the surface there for each distance across the arch: a ray that meets no wall
    runs in air above it and inside the crowns below.
    """
    columns, levels = count.shape
    for i in range(columns):
        for j in range(levels):
            walls[i, j, 0] = walls[i, j, 1] = np.nan
            n = count[i, j]
            if n == 0 and over[i] > TOP_MM - j * LEVEL_MM:
                continue
            order = np.argsort(at[i, j, :n])
            best = np.inf
            air = n == 0 or not leaving[i, j, order[0]]
            start = -np.inf
            for m in range(n + 1):
                stop = np.inf if m == n else at[i, j, order[m]]
                if air:
                    off = max(start - contact, contact - stop, 0.0)
                    if off < best:
                        best = off
                        walls[i, j, 0], walls[i, j, 1] = start, stop
                if m < n:
                    air = leaving[i, j, order[m]]
                    start = stop


@njit(cache=True, nogil=True)
def _least(walls, points, outward, step, widths, middles):  # type: ignore[no-untyped-def]
    """Least distance of the two walls at each level, down to where they close; that level.

    ``widths`` and ``middles`` hold what is true where there are no walls.
    """
    columns, levels = walls.shape[:2]
    plane = np.empty((2, columns, 2))
    for j in range(levels):
        for i in range(columns):
            for side in range(2):
                # A lone ray that grazed a wall: its neighbours know better.
                s = walls[i, j, side]
                if np.isnan(s):
                    return j
                plane[side, i, 0] = np.nan
                if np.isinf(s):
                    continue
                if 0 < i < columns - 1:
                    a, b = walls[i - 1, j, side], walls[i + 1, j, side]
                    if not (np.isnan(a) or np.isnan(b)):
                        s = max(min(a, b), min(max(a, b), s))
                k = min(max(int(np.floor(s / step + 0.5)), 0), points.shape[0] - 1)
                n, along = i * ACROSS_MM - REACH_MM, s - k * step
                plane[side, i, 0] = points[k, 0] - outward[k, 1] * along + outward[k, 0] * n
                plane[side, i, 1] = points[k, 1] + outward[k, 0] * along + outward[k, 1] * n
        best = widths[j] ** 2
        for i in range(columns):
            if np.isnan(plane[0, i, 0]):
                continue
            for k in range(columns):
                dx = plane[0, i, 0] - plane[1, k, 0]
                dy = plane[0, i, 1] - plane[1, k, 1]
                square = dx * dx + dy * dy
                if square < best:
                    best = square
                    middles[j, 0] = 0.5 * (plane[0, i, 0] + plane[1, k, 0])
                    middles[j, 1] = 0.5 * (plane[0, i, 1] + plane[1, k, 1])
        widths[j] = np.sqrt(best)
    return levels


def _clear(walls: Array, over: tuple[float, float], line: ArchLine) -> float:
    """Least distance of the outlines of two crowns (columns, levels, 2), each over a height.

    Gum that climbs up one of two uneven crowns is as high as the other crown is wide.
    """
    columns, levels = walls.shape[:2]
    height = TOP_MM - np.arange(levels) * LEVEL_MM
    across = np.arange(columns) * ACROSS_MM - REACH_MM
    outlines = []
    for side, least in enumerate(over):
        seen = np.isfinite(walls[:, :, side]) & (height >= least)
        towards = 1.0 if side == 0 else -1.0
        wall = np.where(seen, towards * walls[:, :, side], -np.inf).max(axis=1)
        # A lone ray that grazed a wall: its neighbours know better.
        wall = towards * median_filter(wall, 3, mode="nearest")
        some = np.isfinite(wall)
        outlines.append(places(line, wall[some], across[some]))
    one, two = outlines
    if not len(one) or not len(two):
        return float("inf")
    return float(cKDTree(one).query(two)[0].min())


def find_passages(
    sn: Array,
    height: Array,
    faces: NDArray[np.int32],
    shadow: Array,
    line: ArchLine,
    start: Array,
    stop: Array,
    half: Array,
) -> tuple[Passage, ...]:
    """Measure the free space between all neighbours of a row.

    Parameters
    ----------
    sn : (n, 2) float64
        Arc length and outward distance of the vertices, mm.
    height : (n,) float64
        Of the vertices over the occlusal plane, mm.
    faces : (m, 3) int32
        Wound outwards in (right, anterior, occlusal) axes.
    shadow : from :func:`geometry.dentition.row.spaces.shadow_map`
    line : ArchLine
    start, stop : (k,) float64
        Arc lengths of the teeth's ends, in order along the arch, mm.
    half : (k,) float64
        Height half way up each crown, mm.

    Returns
    -------
    k − 1 passages
    """
    middles = 0.5 * (start + stop)
    columns = round(2 * REACH_MM / ACROSS_MM) + 1
    levels = round((TOP_MM - LOWEST_MM) / LEVEL_MM) + 1
    count = np.zeros((len(start) - 1, columns, levels), dtype=np.int64)
    at = np.empty((*count.shape, WALLS))
    leaving = np.empty((*count.shape, WALLS), dtype=np.bool_)
    _meet(sn, height, faces, middles, count, at, leaving)
    across = np.arange(columns) * ACROSS_MM - REACH_MM + HALF_MM
    seen = np.round(across / CELL_MM).astype(np.int64)
    out = []
    for k in range(len(count)):
        contact = 0.5 * (stop[k] + start[k + 1])
        over = shadow[min(round(contact / CELL_MM), len(shadow) - 1), seen]
        walls = np.empty((columns, levels, 2))
        _walls(count[k], at[k], leaving[k], contact, over, walls)
        widths = np.full(levels, middles[k + 1] - middles[k])
        nearest = np.tile(place(line, contact, 0.0), (levels, 1))
        closed = int(_least(walls, line.points, line.outward, STEP_MM, widths, nearest))
        # From the bottom up; a passage that is closed even at the top has one level.
        last = max(closed, 1)
        calm = median_filter(widths[:last], CALM, mode="nearest")[::-1]
        clear = _clear(walls, (float(half[k]), float(half[k + 1])), line)
        out.append(Passage(TOP_MM - (last - 1) * LEVEL_MM, calm, nearest[:last][::-1], clear))
    return tuple(out)

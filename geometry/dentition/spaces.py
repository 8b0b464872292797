"""Gaps between neighbouring crowns, seen from above, and open gingival embrasures.

From above two crowns that touch are joined at the height of their contact; two that do
not are joined only by the gum between them. So the height at which the two become one
tells a gap from a groove, and its width is the distance between the crowns' shadows
a little above that height.
"""

from __future__ import annotations

from dataclasses import dataclass
from heapq import heappop, heappush

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import label

from geometry.dentition.archline import ArchLine, places

Array = NDArray[np.float64]

CELL_MM = 0.15
HALF_MM = 9.0
ABOVE_MM = 0.4
LOWEST_MM = -14.0
BASE_MM = 0.25
CLIMB_MM, CLIMBS, FLANK, CLEAR_OF_EDGE_MM = 0.4, 4, 1.0, 0.8
"""Where the passage widens faster than ``FLANK`` (mm a mm), gum still lies in it."""
JUMP_MM = 2.0
"""Widening by more at one climb, it is no flank: all of a crown but its far cusp lies below."""


@njit(cache=True, nogil=True)
def _shadow(sn, height, faces, step, half, out):  # type: ignore[no-untyped-def]
    rows, columns = out.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        sa, sb, sc = sn[a, 0], sn[b, 0], sn[c, 0]
        na, nb, nc = sn[a, 1], sn[b, 1], sn[c, 1]
        if min(na, nb, nc) < -half or max(na, nb, nc) > half:
            continue
        if max(sa, sb, sc) - min(sa, sb, sc) > 4.0:
            continue
        ia, ib, ic = sa / step, sb / step, sc / step
        ja, jb, jc = (na + half) / step, (nb + half) / step, (nc + half) / step
        det = (ib - ia) * (jc - ja) - (ic - ia) * (jb - ja)
        if abs(det) < 1e-12:
            continue
        i0 = max(int(np.ceil(min(ia, ib, ic))), 0)
        i1 = min(int(np.floor(max(ia, ib, ic))), rows - 1)
        j0 = max(int(np.ceil(min(ja, jb, jc))), 0)
        j1 = min(int(np.floor(max(ja, jb, jc))), columns - 1)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                p = ((i - ia) * (jc - ja) - (ic - ia) * (j - ja)) / det
                q = ((ib - ia) * (j - ja) - (i - ia) * (jb - ja)) / det
                if p < -1e-6 or q < -1e-6 or p + q > 1.0 + 1e-6:
                    continue
                z = height[a] + p * (height[b] - height[a]) + q * (height[c] - height[a])
                if z > out[i, j]:
                    out[i, j] = z


def shadow_map(sn: Array, height: Array, faces: NDArray[np.int32], length: float) -> Array:
    """Highest surface over arc length and outward distance; −99 where there is none."""
    out = np.full((int(length / CELL_MM) + 2, int(2 * HALF_MM / CELL_MM) + 2), -99.0)
    _shadow(sn, height, faces, CELL_MM, HALF_MM, out)
    return out


@dataclass(frozen=True, slots=True)
class Between:
    """What lies between two neighbouring crowns.

    Attributes
    ----------
    joined_at : float
        Height at which the two become one, seen from above, mm; −99 never.
    base_width_mm, width_mm : float
        Distance between their shadows at the bottom of the passage, and at the height
        where crowns are widest.
    level : float
        The latter height, mm.
    middle : (3,) float64
        Place midway, (right, anterior, occlusal) mm.
    """

    joined_at: float
    base_width_mm: float
    width_mm: float
    level: float
    middle: Array


def look_between(shadow: Array, line: ArchLine, first: tuple[float, float],
                 second: tuple[float, float], contact: float) -> Between:
    """Measure the passage between two teeth given by their ends along the arch.

    Parameters
    ----------
    shadow : from :func:`shadow_map`
    line : ArchLine
    first, second : (start, stop) arc lengths of the teeth, mm
    contact : float
        Height where these crowns would be widest and touch, mm.
    """
    view, core_a, core_b, i0 = _passage(shadow, first, second)
    joined = float(_joined_at(view, *core_a, *core_b, LOWEST_MM))
    base, _ = _distance(view, joined + BASE_MM, core_a, core_b, i0, line)
    level = max(joined + ABOVE_MM, contact)
    width, middle = _distance(view, level, core_a, core_b, i0, line)
    return Between(joined, base, width, level, middle)


def crown_distance(shadow: Array, line: ArchLine, first: tuple[float, float],
                   second: tuple[float, float], seen: Between) -> float:
    """Least distance of two crowns that do not touch, mm, arguments as before.

    A high papilla narrows the passage at the height where crowns are usually widest: as long
    as the passage widens like a flank of gum, it is measured further up.
    """
    view, core_a, core_b, i0 = _passage(shadow, first, second)
    highest = min(float(view[core_a]), float(view[core_b])) - CLEAR_OF_EDGE_MM
    level, width = seen.level, seen.width_mm
    for _ in range(CLIMBS):
        level += CLIMB_MM
        wider, _ = _distance(view, level, core_a, core_b, i0, line)
        if level > highest or not FLANK * CLIMB_MM <= wider - width <= JUMP_MM:
            break
        width = wider
    return width


def _passage(
    shadow: Array, first: tuple[float, float], second: tuple[float, float]
) -> tuple[Array, tuple[int, int], tuple[int, int], int]:
    """Shadow between the middles of two teeth, the highest place of each, its first row."""
    s0 = 0.5 * (first[0] + first[1]) - 0.2 * (first[1] - first[0])
    s1 = 0.5 * (second[0] + second[1]) + 0.2 * (second[1] - second[0])
    i0, i1 = max(int(s0 / CELL_MM), 0), min(int(s1 / CELL_MM) + 1, len(shadow))
    view = shadow[i0:i1]
    core_a = _core(view, max(int(0.35 * (first[1] - first[0]) / CELL_MM), 2))
    far = _core(view[::-1], max(int(0.35 * (second[1] - second[0]) / CELL_MM), 2))
    return view, core_a, (len(view) - 1 - far[0], far[1]), i0


@njit(cache=True, nogil=True)
def _joined_at(view, ai, aj, bi, bj, lowest):  # type: ignore[no-untyped-def]
    """Highest level above which no way leads from one place to the other.

    The ways go over neighbouring pixels, side by side; −99 when none stays above
    ``lowest``. Pixels are flooded from the first place, the highest shore first.
    """
    rows, columns = view.shape
    seen = np.zeros((rows, columns), dtype=np.bool_)
    seen[ai, aj] = True
    heap = [(-view[ai, aj], ai, aj)]
    level = view[ai, aj]
    while len(heap) > 0:
        depth, i, j = heappop(heap)
        level = min(level, -depth)
        if level < lowest:
            return -99.0
        if i == bi and j == bj:
            return level
        for di, dj in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            p, q = i + di, j + dj
            if 0 <= p < rows and 0 <= q < columns and not seen[p, q]:
                seen[p, q] = True
                heappush(heap, (-view[p, q], p, q))
    return -99.0


def _distance(view: Array, level: float, core_a: tuple[int, int], core_b: tuple[int, int],
              i0: int, line: ArchLine) -> tuple[float, Array]:
    """Distance between the two shadows above a level, and the place midway."""
    parts = _parts(view, level, core_a, core_b)
    if parts is None:
        return 0.0, np.full(3, np.nan)
    a, b = (_outline_points(part, i0, line) for part in parts)
    one, two = _nearest_pair(a, b)
    x, y = 0.5 * (a[one] + b[two])
    return float(np.linalg.norm(a[one] - b[two])) - CELL_MM, np.array([x, y, level])


@njit(cache=True, nogil=True)
def _nearest_pair(a, b):  # type: ignore[no-untyped-def]
    """Which point of ``a`` (n, 2) and of ``b`` (m, 2) lie closest together."""
    best = np.inf
    one = two = 0
    for i in range(a.shape[0]):
        for j in range(b.shape[0]):
            square = (a[i, 0] - b[j, 0]) ** 2 + (a[i, 1] - b[j, 1]) ** 2
            if square < best:
                best, one, two = square, i, j
    return one, two


def _core(view: Array, depth: int) -> tuple[int, int]:
    part = view[:depth]
    i, j = np.unravel_index(int(np.argmax(part)), part.shape)
    return int(i), int(j)


def _parts(view: Array, level: float, core_a: tuple[int, int],
           core_b: tuple[int, int]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """The two crowns' shadows above a level, or None when they are one."""
    names, _ = label(view > level)
    one, two = names[core_a], names[core_b]
    if one == two:
        return None
    return names == one, names == two


def _outline_points(part: NDArray[np.bool_], i0: int, line: ArchLine) -> Array:
    inner = part.copy()
    inner[1:] &= part[:-1]
    inner[:-1] &= part[1:]
    inner[:, 1:] &= part[:, :-1]
    inner[:, :-1] &= part[:, 1:]
    i, j = np.nonzero(part & ~inner)
    return places(line, np.asarray((i + i0) * CELL_MM), np.asarray(j * CELL_MM - HALF_MM))


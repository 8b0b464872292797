"""Webs: films of moisture that span the gap between two teeth and end in the air below.

Seen from outside, the groove between two crowns runs down to the papilla, and the papilla climbs
up to meet it; what stands further out than the groove above the gum, and ends below in a ledge
with the groove open again under it, is a film. The underside of a contact is such a ledge too,
but there the crowns bend towards each other, while a film is even from crown to crown. A film
that runs down to the papilla has no ledge, and looks like a thick papilla: it is not told.
Limits were chosen on generated mouths of six kinds: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.mesh import Mesh

Array = NDArray[np.float64]

# The groove is seen as a picture of so fine a lattice, to so far aside, beneath the gum and deep.
_LATTICE_MM, _ASIDE_MM, _BELOW_GUM_MM = 0.15, 2.7, 3.0
_BEHIND_MM, _BEFORE_MM = 4.0, 9.0
# A ledge lies so far over the gum line and under the biting surfaces, and near the middle.
_OVER_GUM_MM, _UNDER_TOP_MM, _MIDDLE_MM = 0.9, 1.0, 1.3
# At it the surface falls back by so much within so many rows; the groove below is so much deeper
# than the film, which is so high at least.
_FALL_MM, _FALL_ROWS, _DEEPER_MM, _HEIGHT_MM = 0.45, 3, 0.4, 0.5
_FILM_ROWS, _POCKET_ROWS, _LEVEL_MM, _DEEPEST_SHARE = 5, 8, 0.4, 0.8
# What is beyond is no groove but the other side of the mouth.
_OTHER_SIDE_MM = 11.0
# Flush with the crowns a film may be narrow, though flush contacts over an open space reach .6; a
# deep one is told where it is wide and the walls beside it do not stand out much. Of its width
# eight tenths differ by so much at most.
_FLUSH_MM, _FLUSH_WIDTH_MM = 1.2, 0.75
_DEEP_MM, _DEEP_WIDTH_MM, _WALLS_MM = 2.5, 1.05, 0.5
_TENTHS, _UNEVEN_MM = (0.1, 0.9), 0.45
# A film hardly stands out of the crowns that it spans; walls are looked at so many columns aside.
_PROUD_MM, _WALL_COLUMNS = 0.3, 4
# The edge of the scan, and of a hole, is a ledge too.
_FROM_EDGE_MM = 1.0


@dataclass(frozen=True, slots=True)
class Groove:
    """Where two neighbouring crowns meet, seen from one side.

    Attributes
    ----------
    middle : (3,) float64
        A point between the crowns at their biting surfaces, file coordinates.
    along, outward : (3,) float64
        Unit vectors along the row, and to the side it is seen from; at right angles to ``up``.
    gum_mm, top_mm : float
        Heights of the gum line and of the biting surfaces over ``middle``.
    """

    middle: Array
    along: Array
    outward: Array
    gum_mm: float
    top_mm: float


@dataclass(frozen=True, slots=True)
class Web:
    """A film between two teeth.

    Attributes
    ----------
    at : (3,) float64
        In its middle, file coordinates.
    width_mm : float
        Of the opening under its lower edge.
    height_mm : float
        How far up from there it reaches, as far as it was followed.
    """

    at: Array
    width_mm: float
    height_mm: float


@njit(cache=True, nogil=True)
def _picture(points, faces, basis, middle, low, seen):  # type: ignore[no-untyped-def]
    """Fill how far out the outermost surface lies (rows up, columns along), -inf for none."""
    rows, columns = seen.shape
    seen[:] = -np.inf
    local = np.empty((points.shape[0], 3))
    inside = np.zeros(points.shape[0], dtype=np.bool_)
    half = 0.5 * (columns - 1)
    for v in range(points.shape[0]):
        x, y, z = points[v, 0] - middle[0], points[v, 1] - middle[1], points[v, 2] - middle[2]
        for k in range(3):
            local[v, k] = x * basis[k, 0] + y * basis[k, 1] + z * basis[k, 2]
        local[v, 0] = local[v, 0] / _LATTICE_MM + half
        local[v, 1] = (local[v, 1] - low) / _LATTICE_MM
        inside[v] = (
            -8.0 < local[v, 0] < columns + 8.0
            and -8.0 < local[v, 1] < rows + 8.0
            and -_BEHIND_MM < local[v, 2] < _BEFORE_MM
        )
    for t in range(faces.shape[0]):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        if not (inside[i] and inside[j] and inside[k]):
            continue
        ax, ay, bx, by = local[i, 0], local[i, 1], local[j, 0], local[j, 1]
        cx, cy = local[k, 0], local[k, 1]
        double = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if double == 0.0:
            continue
        left, right = max(0, int(np.ceil(min(ax, bx, cx)))), min(columns - 1, int(max(ax, bx, cx)))
        first, last = max(0, int(np.ceil(min(ay, by, cy)))), min(rows - 1, int(max(ay, by, cy)))
        for y in range(first, last + 1):
            for x in range(left, right + 1):
                a = ((bx - x) * (cy - y) - (by - y) * (cx - x)) / double
                b = ((cx - x) * (ay - y) - (cy - y) * (ax - x)) / double
                c = 1.0 - a - b
                if a >= -1e-9 and b >= -1e-9 and c >= -1e-9:
                    out = a * local[i, 2] + b * local[j, 2] + c * local[k, 2]
                    seen[y, x] = max(seen[y, x], out)


@njit(cache=True, nogil=True)
def _depths(seen, depth):  # type: ignore[no-untyped-def]
    """Fill how far each place lies below a band stretched over its row; NaN where none is."""
    rows, columns = seen.shape
    stack = np.empty(columns, dtype=np.int64)
    depth[:] = np.nan
    for y in range(rows):
        size = 0
        for x in range(columns):
            if np.isinf(seen[y, x]):
                continue
            while size > 1:
                p, q = stack[size - 2], stack[size - 1]
                if (seen[y, q] - seen[y, p]) * (x - p) > (seen[y, x] - seen[y, p]) * (q - p):
                    break
                size -= 1
            stack[size] = x
            size += 1
        if size < 2:
            continue
        for k in range(size - 1):
            p, q = stack[k], stack[k + 1]
            rise = (seen[y, q] - seen[y, p]) / (q - p)
            for x in range(p, q + 1):
                if np.isinf(seen[y, x]):
                    seen[y, x] = -_BEHIND_MM
                depth[y, x] = seen[y, p] + rise * (x - p) - seen[y, x]


def _runs(marked: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last of each run of marked columns."""
    step = np.diff(np.concatenate([[0], marked.astype(np.int8), [0]]))
    yield from zip(
        np.flatnonzero(step > 0).tolist(), (np.flatnonzero(step < 0) - 1).tolist(), strict=True
    )


def _film(seen: Array, depth: Array, y: int, i: int, j: int) -> float | None:
    """Height of the film whose lower edge runs from column i to j of row y; None for none."""
    film, pocket = (
        depth[y : y + _FILM_ROWS, i : j + 1],
        depth[max(y - _POCKET_ROWS - 1, 0) : y - 1, i : j + 1],
    )
    rows = film[np.isfinite(film).any(axis=1)]
    if not len(rows) or not np.isfinite(pocket).any():
        return None
    lies = float(np.nanquantile(rows, _DEEPEST_SHARE, axis=1).max())
    under = float(np.nanmax(pocket))
    if not lies + _DEEPER_MM <= under < _OTHER_SIDE_MM:
        return None
    beside = (
        seen[y : y + _FILM_ROWS, max(i - _WALL_COLUMNS, 0) : i],
        seen[y : y + _FILM_ROWS, j + 1 : j + 1 + _WALL_COLUMNS],
    )
    own = seen[y : y + _FILM_ROWS, i : j + 1]
    own = own[np.isfinite(own).all(axis=1)]
    if not len(own):
        return None
    walls = min(float(wall.max(initial=-np.inf)) for wall in beside)
    walls -= float(np.median(own))
    least, most = np.quantile(own, _TENTHS, axis=1)
    if float(np.median(most - least)) > _UNEVEN_MM:
        return None
    width = (j - i + 1) * _LATTICE_MM + 1e-9
    flush = width >= _FLUSH_WIDTH_MM and lies <= _FLUSH_MM
    deep = width >= _DEEP_WIDTH_MM and lies <= _DEEP_MM and walls <= _WALLS_MM
    if walls < -_PROUD_MM or not (flush or deep):
        return None
    aside = (j - i) // 4
    inner = np.median(seen[y:, i + aside : j - aside + 1], axis=1)
    ends = np.flatnonzero(~(inner > inner[0] - _LEVEL_MM))
    height = float(ends[0] if len(ends) else len(inner)) * _LATTICE_MM
    return height if height >= _HEIGHT_MM else None


def find_webs(
    coarse: Mesh, border: Array, up: Array, grooves: Sequence[Groove]
) -> tuple[Web, ...]:
    """Find films between teeth that end in the air below, one for each groove at most.

    Parameters
    ----------
    coarse : Mesh
        The surface, evenly and finely enough sampled (about 0.3 mm).
    border : (k, 3) float64
        Points of the scan's border and of its holes.
    up : (3,) float64
        Unit vector from the gums to the biting surfaces.
    grooves : sequence of Groove

    Returns
    -------
    tuple of Web
        In the order of the grooves.
    """
    edge = cKDTree(border) if len(border) else None
    columns = 2 * round(_ASIDE_MM / _LATTICE_MM) + 1
    aside = (np.arange(columns) - 0.5 * (columns - 1)) * _LATTICE_MM
    webs = []
    for groove in grooves:
        low = groove.gum_mm - _BELOW_GUM_MM
        rows = int(np.ceil((groove.top_mm - low) / _LATTICE_MM)) + 1
        basis = np.stack([groove.along, up, groove.outward])
        seen = np.empty((max(rows, 0), columns))
        if rows <= _FALL_ROWS:
            continue
        _picture(coarse.vertices, coarse.faces, basis, groove.middle, low, seen)
        depth = np.empty_like(seen)
        _depths(seen, depth)
        first = int(np.ceil((groove.gum_mm + _OVER_GUM_MM - low) / _LATTICE_MM))
        last = int((groove.top_mm - _UNDER_TOP_MM - low) / _LATTICE_MM)
        found: Web | None = None
        for y in range(first, min(last + 1, rows)):
            with np.errstate(invalid="ignore"):
                falls = seen[y] - seen[y - _FALL_ROWS] >= _FALL_MM
            for i, j in _runs(falls):
                width = (j - i + 1) * _LATTICE_MM
                if abs(aside[i] + aside[j]) > 2.0 * _MIDDLE_MM:
                    continue
                if width + 1e-9 < _FLUSH_WIDTH_MM or (found and width <= found.width_mm):
                    continue
                height = _film(seen, depth, y, i, j)
                if height is None:
                    continue
                out = float(np.median(seen[y, i : j + 1]))
                place = np.array([0.5 * (aside[i] + aside[j]), low + y * _LATTICE_MM, out])
                if edge and edge.query(groove.middle + place @ basis)[0] < _FROM_EDGE_MM:
                    continue
                place[1] += 0.5 * height
                found = Web(groove.middle + place @ basis, width, height)
        if found:
            webs.append(found)
    return tuple(webs)

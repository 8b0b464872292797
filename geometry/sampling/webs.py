"""Webs: films of moisture that span the gap between two teeth.

Seen from outside, the groove between two crowns runs down to the papilla, and the papilla climbs
up to meet it; what stands further out than the groove above the gum, and ends below in a ledge
with the groove open again under it, is a film. The underside of a contact is such a ledge too,
but there the crowns bend towards each other, while a film is even from crown to crown. A film
that runs down to the papilla has no ledge, and looks like a thick papilla: it is told only where
it is thin and open behind (:mod:`geometry.sampling.sheets`).
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
from geometry.sampling.sheets import BEHIND_MM, LATTICE_MM, look, outermost, thin_sheet

Array = NDArray[np.float64]

# The groove is looked at to so far aside and beneath the gum.
_ASIDE_MM, _BELOW_GUM_MM = 2.7, 3.0
# A film lies so far over the gum line and under the biting surfaces, a ledge near the middle.
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
        How wide it is, at its lower edge or over its height.
    height_mm : float
        How far up from there it reaches, as far as it was followed.
    thin : bool
        There is air behind it too, which nothing bonded has.
    """

    at: Array
    width_mm: float
    height_mm: float
    thin: bool = False


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
                    seen[y, x] = -BEHIND_MM
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
    width = (j - i + 1) * LATTICE_MM + 1e-9
    flush = width >= _FLUSH_WIDTH_MM and lies <= _FLUSH_MM
    deep = width >= _DEEP_WIDTH_MM and lies <= _DEEP_MM and walls <= _WALLS_MM
    if walls < -_PROUD_MM or not (flush or deep):
        return None
    aside = (j - i) // 4
    inner = np.median(seen[y:, i + aside : j - aside + 1], axis=1)
    ends = np.flatnonzero(~(inner > inner[0] - _LEVEL_MM))
    level = ends[0] if len(ends) else len(inner)
    height = float(level) * LATTICE_MM
    # What goes on to the edge of a tooth is its own corner, over an open space.
    edge = level > len(inner) - _UNDER_TOP_MM / LATTICE_MM
    return height if height >= _HEIGHT_MM and not edge else None


def find_webs(
    coarse: Mesh, border: Array, up: Array, outward: int, grooves: Sequence[Groove]
) -> tuple[Web, ...]:
    """Find films between teeth, one for each groove at most.

    Parameters
    ----------
    coarse : Mesh
        The surface, evenly and finely enough sampled (about 0.3 mm).
    border : (k, 3) float64
        Points of the scan's border and of its holes.
    up : (3,) float64
        Unit vector from the gums to the biting surfaces.
    outward : int
        +1 when the winding's normals point outward, else -1.
    grooves : sequence of Groove

    Returns
    -------
    tuple of Web
        In the order of the grooves.
    """
    edge = cKDTree(border) if len(border) else None
    columns = 2 * round(_ASIDE_MM / LATTICE_MM) + 1
    aside = (np.arange(columns) - 0.5 * (columns - 1)) * LATTICE_MM
    webs = []
    for groove in grooves:
        low = groove.gum_mm - _BELOW_GUM_MM
        rows = int(np.ceil((groove.top_mm - low) / LATTICE_MM)) + 1
        basis = np.stack([groove.along, up, groove.outward])
        if rows <= _FALL_ROWS:
            continue
        shape = (rows, columns)
        sight = look(coarse.vertices, coarse.faces, outward, basis, groove.middle, low, shape)
        first = int(np.ceil((groove.gum_mm + _OVER_GUM_MM - low) / LATTICE_MM))
        last = int((groove.top_mm - _UNDER_TOP_MM - low) / LATTICE_MM)
        sheet = thin_sheet(sight, shape, first, last)
        if sheet:
            column = (sheet.column - 0.5 * (columns - 1)) * LATTICE_MM
            place = np.array([column, low + sheet.row * LATTICE_MM, sheet.out_mm])
            at = groove.middle + place @ basis
            webs.append(Web(at, sheet.width_mm, sheet.height_mm, thin=True))
            continue
        seen = outermost(sight, shape)
        depth = np.empty_like(seen)
        _depths(seen, depth)
        found: Web | None = None
        for y in range(first, min(last + 1, rows)):
            with np.errstate(invalid="ignore"):
                falls = seen[y] - seen[y - _FALL_ROWS] >= _FALL_MM
            for i, j in _runs(falls):
                width = (j - i + 1) * LATTICE_MM
                if abs(aside[i] + aside[j]) > 2.0 * _MIDDLE_MM:
                    continue
                if width + 1e-9 < _FLUSH_WIDTH_MM or (found and width <= found.width_mm):
                    continue
                height = _film(seen, depth, y, i, j)
                if height is None:
                    continue
                out = float(np.median(seen[y, i : j + 1]))
                place = np.array([0.5 * (aside[i] + aside[j]), low + y * LATTICE_MM, out])
                if edge and edge.query(groove.middle + place @ basis)[0] < _FROM_EDGE_MM:
                    continue
                place[1] += 0.5 * height
                found = Web(groove.middle + place @ basis, width, height)
        if found:
            webs.append(found)
    return tuple(webs)

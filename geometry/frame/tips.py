"""Incisal edges and cusp tips in a height map.

A peak is a place that is highest within ``TIP_RADIUS_MM`` and from which the
surface falls away around it. A worn cusp on a leaning tooth is not the highest
place around until one leans with it, so the map is also looked at sheared a
little to every side. An incisal edge is a ridge: it gets a tip every few
millimetres of its length, so that it counts by what it is, not by its bumps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.frame.relief import Relief
from geometry.frame.surface import Surface

TIP_RADIUS_MM = 2.0
RING_MM = 2.2
"""Distance at which the fall around a tip is measured."""

APART_MM = 2.4
"""Two tips closer than this are one."""

PLAIN_FALL_MM = 0.35
WORN_FALL_MM = 0.15
LEAN_DEG = 10.0
LEANS = 6
RIDGE_STEP_MM = 2.2
RIDGE_NEAR_MM = 1.2
RIDGE_ALONG_MM = 0.35
RIDGE_ACROSS_MM = 1.1
SECTORS = 16


@dataclass(frozen=True, slots=True)
class Tips:
    """Places that stand out of the relief.

    Attributes
    ----------
    points : (n, 3) float64
        In the coordinates of the surface, mm.
    fall : (n,) float64
        Mean drop of the surface 2.2 mm around the tip, mm, each direction
        counted up to 3 mm.
    edge : (n,) bool
        True for places along an edge, false for peaks.
    """

    points: NDArray[np.float64]
    fall: NDArray[np.float64]
    edge: NDArray[np.bool_]

    def only(self, chosen: NDArray[np.bool_]) -> Tips:
        """Return those of the tips."""
        return Tips(self.points[chosen], self.fall[chosen], self.edge[chosen])


@njit(cache=True, nogil=True)
def _ring(radius):  # type: ignore[no-untyped-def]
    """Rows and columns (16, 2) from a cell to those on a ring of sectors around it."""
    out = np.empty((SECTORS, 2), dtype=np.int64)
    for s in range(SECTORS):
        angle = 2.0 * np.pi * s / SECTORS
        out[s, 0] = int(np.floor(radius * np.sin(angle) + 0.5))
        out[s, 1] = int(np.floor(radius * np.cos(angle) + 0.5))
    return out


@njit(cache=True, nogil=True)
def _falls(z, index, r, c, ring, lean_x, lean_y, out):  # type: ignore[no-untyped-def]
    """Drop of the surface on a ring of sectors around a cell (3 mm where it ends)."""
    rows, columns = z.shape
    for s in range(out.shape[0]):
        dr, dc = ring[s, 0], ring[s, 1]
        rr, cc = r + dr, c + dc
        out[s] = 3.0
        if 0 <= rr < rows and 0 <= cc < columns and index[rr, cc] >= 0:
            out[s] = min(3.0, z[r, c] - z[rr, cc] + lean_x * dc + lean_y * dr)


@njit(cache=True, nogil=True)
def _is_peak(z, index, border, r, c, radius, lean_x, lean_y):  # type: ignore[no-untyped-def]
    rows, columns = z.shape
    reach = int(np.ceil(radius))
    top = z[r, c]
    # Near cells first: most places fail at once.
    for span in (1, reach):
        for dr in range(-span, span + 1):
            rr = r + dr
            if rr < 0 or rr >= rows:
                continue
            for dc in range(-span, span + 1):
                cc = c + dc
                if cc < 0 or cc >= columns or (dr == 0 and dc == 0):
                    continue
                if dr * dr + dc * dc > radius * radius or index[rr, cc] < 0:
                    continue
                other = z[rr, cc] - lean_x * dc - lean_y * dr
                # Equal heights: the first cell in reading order is the tip.
                if other > top or (other == top and (dr < 0 or (dr == 0 and dc < 0))):
                    return False
                # A border just beside it, nearly as high: the surface is cut here.
                if border[index[rr, cc]] and dr * dr + dc * dc <= 9 and top - other < 0.5:
                    return False
    return True


@njit(cache=True, nogil=True)
def _peaks(z, index, border, radius, ring, lean_x, lean_y, least_fall):  # type: ignore[no-untyped-def]
    """Cells that are peaks of a map sheared by ``lean`` (mm a cell), and their falls."""
    rows, columns = z.shape
    cells = np.empty((rows * columns, 2), dtype=np.int32)
    fall = np.empty(rows * columns, dtype=np.float64)
    ring_falls = np.empty(SECTORS, dtype=np.float64)
    around = _ring(ring)
    n = 0
    for r in range(rows):
        for c in range(columns):
            here = index[r, c]
            if here < 0 or border[here]:
                continue
            if not _is_peak(z, index, border, r, c, radius, lean_x, lean_y):
                continue
            _falls(z, index, r, c, around, lean_x, lean_y, ring_falls)
            mean = ring_falls.mean()
            if mean >= least_fall:
                cells[n, 0], cells[n, 1] = r, c
                fall[n] = mean
                n += 1
    return cells[:n], fall[:n]


@njit(cache=True, nogil=True)
def _ridges(z, index, border, ring, near_ring, along_limit, across_limit, floor):  # type: ignore[no-untyped-def]
    """Cells on the crest of a ridge higher than ``floor``: level along, falling across."""
    rows, columns = z.shape
    cells = np.empty((rows * columns, 2), dtype=np.int32)
    fall = np.empty(rows * columns, dtype=np.float64)
    sectors = SECTORS
    quarter = sectors // 4
    falls = np.empty(sectors, dtype=np.float64)
    far, near = _ring(ring), _ring(near_ring)
    n = 0
    for r in range(rows):
        for c in range(columns):
            here = index[r, c]
            if here < 0 or border[here] or z[r, c] < floor:
                continue
            # Across the crest both sides fall away; along it, close by, hardly anything does.
            _falls(z, index, r, c, far, 0.0, 0.0, falls)
            across = 0.0
            along = 0
            for s in range(sectors // 2):
                lesser = min(falls[(s + quarter) % sectors], falls[(s + 3 * quarter) % sectors])
                if lesser > across:
                    across = lesser
                    along = s
            if across < across_limit:
                continue
            mean = falls.mean()
            _falls(z, index, r, c, near, 0.0, 0.0, falls)
            if max(abs(falls[along]), abs(falls[along + sectors // 2])) > along_limit:
                continue
            angle = 2.0 * np.pi * ((along + quarter) % sectors) / sectors
            crest = True
            for k in range(1, 5):
                for side in (-1, 1):
                    rr = r + int(np.floor(side * k * np.sin(angle) + 0.5))
                    cc = c + int(np.floor(side * k * np.cos(angle) + 0.5))
                    if (
                        0 <= rr < rows
                        and 0 <= cc < columns
                        and index[rr, cc] >= 0
                        and z[rr, cc] > z[r, c]
                    ):
                        crest = False
            if crest:
                cells[n, 0], cells[n, 1] = r, c
                fall[n] = mean
                n += 1
    return cells[:n], fall[:n]


@njit(cache=True, nogil=True)
def _thin(cells, order, apart, fixed):  # type: ignore[no-untyped-def]
    """Keep cells in order unless one kept before (or one of ``fixed``) is too near."""
    kept = np.empty(cells.shape[0], dtype=np.int64)
    n = 0
    for i in order:
        free = True
        for j in range(fixed.shape[0]):
            dr, dc = cells[i, 0] - fixed[j, 0], cells[i, 1] - fixed[j, 1]
            if dr * dr + dc * dc < apart * apart:
                free = False
                break
        if free:
            for j in range(n):
                dr = cells[i, 0] - cells[kept[j], 0]
                dc = cells[i, 1] - cells[kept[j], 1]
                if dr * dr + dc * dc < apart * apart:
                    free = False
                    break
        if free:
            kept[n] = i
            n += 1
    return kept[:n]


def plain_tips(surface: Surface, relief: Relief) -> Tips:
    """Return the peaks of a relief as it is, for the search."""
    cells, fall = _peaks(
        relief.z,
        relief.index,
        surface.border,
        TIP_RADIUS_MM / relief.cell,
        RING_MM / relief.cell,
        0.0,
        0.0,
        PLAIN_FALL_MM,
    )
    points = surface.points[relief.index[cells[:, 0], cells[:, 1]]]
    return Tips(points, fall, np.zeros(fall.shape[0], dtype=np.bool_))


def thorough_tips(surface: Surface, relief: Relief, floor: float) -> Tips:
    """Return peaks, peaks of leaning teeth and places along edges.

    Parameters
    ----------
    surface, relief
        The relief should be levelled (the curve of Spee taken off).
    floor : float
        Ridges lower than this in the relief are not edges.
    """
    radius, ring = TIP_RADIUS_MM / relief.cell, RING_MM / relief.cell
    z, index, border = relief.z, relief.index, surface.border
    cells, fall = _peaks(z, index, border, radius, ring, 0.0, 0.0, WORN_FALL_MM)
    lean = np.tan(np.radians(LEAN_DEG)) * relief.cell
    more_cells, more_fall = [], []
    for k in range(LEANS):
        turn = 2.0 * np.pi * k / LEANS
        found = _peaks(
            z, index, border, radius, ring, lean * np.cos(turn), lean * np.sin(turn), WORN_FALL_MM
        )
        more_cells.append(found[0])
        more_fall.append(found[1])
    crest_cells, crest_fall = _ridges(
        z, index, border, ring, RIDGE_NEAR_MM / relief.cell, RIDGE_ALONG_MM, RIDGE_ACROSS_MM, floor
    )
    for extra_cells, extra_fall, apart in (
        (np.concatenate(more_cells), np.concatenate(more_fall), APART_MM / relief.cell),
        (crest_cells, crest_fall, RIDGE_STEP_MM / relief.cell),
    ):
        peaks = fall.shape[0]
        height = z[extra_cells[:, 0], extra_cells[:, 1]]
        kept = _thin(extra_cells, np.argsort(-height, kind="stable"), apart, cells)
        cells = np.concatenate([cells, extra_cells[kept]])
        fall = np.concatenate([fall, extra_fall[kept]])
    edge = np.arange(fall.shape[0]) >= peaks
    return Tips(surface.points[index[cells[:, 0], cells[:, 1]]], fall, edge)


def edge_tips(surface: Surface, relief: Relief, floor: float) -> Tips:
    """Return places along the edges in a relief that stand higher than ``floor``."""
    cells, fall = _ridges(
        relief.z,
        relief.index,
        surface.border,
        RING_MM / relief.cell,
        RIDGE_NEAR_MM / relief.cell,
        RIDGE_ALONG_MM,
        RIDGE_ACROSS_MM,
        floor,
    )
    height = relief.z[cells[:, 0], cells[:, 1]]
    order = np.argsort(-height, kind="stable")
    kept = _thin(cells, order, RIDGE_STEP_MM / relief.cell, cells[:0])
    cells = cells[kept]
    points = surface.points[relief.index[cells[:, 0], cells[:, 1]]]
    return Tips(points, fall[kept], np.ones(kept.shape[0], dtype=np.bool_))

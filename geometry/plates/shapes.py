"""Outlines made ready for the search: corner points and signed distances on a grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray

CELL_MM = 0.5
SPACING_MM = 2.0
"""Points along an outline are no farther apart than this."""

ROUGH_MM = 0.08
"""The search works on outlines simplified by this much; what it finds is checked exactly."""

COARSE_MM, COARSE_SPACING_MM = 0.3, 5.0
"""For the wide search, which what it finds is settled after."""


@njit(cache=True, nogil=True)
def signed_distances(ring, x0, y0, cell, nx, ny):  # type: ignore[no-untyped-def]
    """Signed distance of grid nodes from a closed ring, positive outside.

    Parameters
    ----------
    ring : (n, 2) float64, the last corner not repeated
    x0, y0, cell : float
    nx, ny : int

    Returns
    -------
    (ny, nx) float32
    """
    out = np.empty((ny, nx), dtype=np.float32)
    n = ring.shape[0]
    for r in range(ny):
        y = y0 + r * cell
        for c in range(nx):
            x = x0 + c * cell
            best = 1e30
            inside = False
            for k in range(n):
                ax, ay = ring[k, 0], ring[k, 1]
                bx, by = ring[(k + 1) % n, 0], ring[(k + 1) % n, 1]
                dx, dy = bx - ax, by - ay
                length = dx * dx + dy * dy
                t = 0.0
                if length > 0.0:
                    t = min(1.0, max(0.0, ((x - ax) * dx + (y - ay) * dy) / length))
                ex, ey = x - ax - t * dx, y - ay - t * dy
                d = ex * ex + ey * ey
                if d < best:
                    best = d
                if (ay > y) != (by > y) and x < ax + (y - ay) * dx / dy:
                    inside = not inside
            out[r, c] = -np.sqrt(best) if inside else np.sqrt(best)
    return out


@dataclass(frozen=True, slots=True)
class Shape:
    """One outline about its own centre.

    Attributes
    ----------
    outline : shapely.Polygon
        About ``centre``.
    centre : (2,) float64
        Middle of the bounding circle, in the model's coordinates.
    radius : float
        Of the circle about the centre that holds the outline.
    points : (n, 2) float64
        Along the simplified outline, about the centre, in mixed order.
    coarse : (m, 2) float64
        Fewer of them.
    field : (ny, nx) float32
        Signed distance, positive outside.
    corner : (2,) float64
        Where the field's first node lies.
    """

    outline: shapely.Polygon
    centre: NDArray[np.float64]
    radius: float
    points: NDArray[np.float64]
    coarse: NDArray[np.float64]
    field: NDArray[np.float32]
    corner: NDArray[np.float64]

    @staticmethod
    def of(outline: shapely.Polygon, reach: float) -> Shape:
        """Prepare an outline; ``reach`` (mm) is how far outside distances are wanted."""
        circle = shapely.minimum_bounding_circle(outline)
        centre = np.array([circle.centroid.x, circle.centroid.y])
        moved = shapely.affinity.translate(outline, -centre[0], -centre[1])
        rough = moved.simplify(ROUGH_MM)
        ring = np.asarray(rough.exterior.coords)[:-1]
        points = _mixed(rough.segmentize(SPACING_MM))
        coarse = _mixed(moved.simplify(COARSE_MM).segmentize(COARSE_SPACING_MM))
        low = ring.min(axis=0) - reach - CELL_MM
        nx, ny = (np.ceil((ring.max(axis=0) + reach - low) / CELL_MM) + 2).astype(int)
        field = signed_distances(ring, low[0], low[1], CELL_MM, int(nx), int(ny))
        corners = np.asarray(moved.exterior.coords)
        return Shape(moved, centre, float(np.hypot(*corners.T).max()), points, coarse, field, low)


def _mixed(outline: shapely.Polygon) -> NDArray[np.float64]:
    """Return the corners so mixed that a sum over the first few tells how bad a place is."""
    points = np.asarray(outline.exterior.coords)[:-1]
    return np.asarray(points[np.random.default_rng(5).permutation(len(points))])


@dataclass(frozen=True, slots=True)
class Shapes:
    """Many shapes laid end to end for compiled code.

    Attributes
    ----------
    points : (n, 2) float64
    first : (k + 1,) int64
        Row of ``points`` where each shape begins.
    fields : (m,) float32
    start, columns, rows : (k,) int64
        Where each field begins and its size.
    corners : (k, 2) float64
    radii : (k,) float64
    """

    points: NDArray[np.float64]
    first: NDArray[np.int64]
    fields: NDArray[np.float32]
    start: NDArray[np.int64]
    columns: NDArray[np.int64]
    rows: NDArray[np.int64]
    corners: NDArray[np.float64]
    radii: NDArray[np.float64]

    @staticmethod
    def of(shapes: Sequence[Shape], coarse: bool = False) -> Shapes:
        """Pack ``shapes`` in their order, with all of their points or fewer."""
        points = [s.coarse if coarse else s.points for s in shapes]
        counts = [len(p) for p in points]
        sizes = [s.field.size for s in shapes]
        return Shapes(
            points=np.ascontiguousarray(np.concatenate(points)),
            first=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
            fields=np.concatenate([s.field.ravel() for s in shapes]),
            start=np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64),
            columns=np.array([s.field.shape[1] for s in shapes], dtype=np.int64),
            rows=np.array([s.field.shape[0] for s in shapes], dtype=np.int64),
            corners=np.stack([s.corner for s in shapes]),
            radii=np.array([s.radius for s in shapes]),
        )

    @property
    def packed(self) -> tuple[NDArray, ...]:
        """The arrays in the order that compiled code takes them."""
        return (
            self.points, self.first, self.fields, self.start,
            self.columns, self.rows, self.corners, self.radii,
        )  # fmt: skip

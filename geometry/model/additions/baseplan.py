"""The outline of a model on its platform, and flat places on it."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.model.surface.halfedges import Faces

Array = NDArray[np.float64]

SLICE = 0.05


@dataclass(frozen=True, slots=True)
class Face:
    """A flat rectangle that something can be written on.

    Attributes
    ----------
    name : str
    centre : (3,) float64
        Middle of the rectangle, mm.
    across, up, out : (3,) float64
        Reading direction, upwards, and away from the material.
    width, height : float
    """

    name: str
    centre: Array
    across: Array
    up: Array
    out: Array
    width: float
    height: float

    def place(self, shape: shapely.Geometry, low: float, high: float) -> manifold3d.Manifold:
        """Extrude a plane shape on this face between two heights over it, mm."""
        rings = [np.asarray(ring.coords)[:-1] for ring in _rings(shape)]
        flat = manifold3d.CrossSection(rings, manifold3d.FillRule.EvenOdd)
        body = flat.extrude(high - low)
        matrix = np.column_stack((self.across, self.up, self.out, self.centre + low * self.out))
        return body.transform(matrix)


def _rings(shape: shapely.Geometry) -> list[shapely.LinearRing]:
    parts = getattr(shape, "geoms", [shape])
    return [ring for part in parts for ring in (part.exterior, *part.interiors)]


def outline(vertices: Array, faces: Faces) -> shapely.Polygon:
    """Return the largest outline of a solid just above its base, without holes."""
    rings = _level_rings(vertices, faces, SLICE)
    shape = shapely.union_all([shapely.Polygon(ring).buffer(0) for ring in rings if len(ring) > 2])
    parts = list(getattr(shape, "geoms", [shape]))
    return max(parts, key=lambda part: part.area)


def _level_rings(vertices: Array, faces: Faces, height: float) -> list[Array]:
    """Cut a closed surface by a level plane; return closed lines (k, 2)."""
    above = vertices[:, 2] > height
    corner = above[faces]
    cut = faces[corner.any(axis=1) & ~corner.all(axis=1)].astype(np.int64)
    up = above[cut]
    # The line enters a face over the edge that goes up, and leaves it over the one that goes down.
    rows = np.arange(len(cut))
    rise = np.argmax(~up & np.roll(up, -1, axis=1), axis=1)
    fall = np.argmax(up & ~np.roll(up, -1, axis=1), axis=1)
    base = np.int64(len(vertices))
    low, high = cut[rows, rise], cut[rows, (rise + 1) % 3]
    enters = low * base + high
    leaves = cut[rows, (fall + 1) % 3] * base + cut[rows, fall]
    t = (height - vertices[low, 2]) / (vertices[high, 2] - vertices[low, 2])
    points = vertices[low, :2] + t[:, None] * (vertices[high, :2] - vertices[low, :2])
    row_of = {key: row for row, key in enumerate(enters.tolist())}
    after = [row_of[key] for key in leaves.tolist()]
    rings, seen = [], np.zeros(len(cut), dtype=bool)
    for first in range(len(cut)):
        ring = []
        row = first
        while not seen[row]:
            seen[row] = True
            ring.append(row)
            row = after[row]
        if ring:
            rings.append(points[ring])
    return rings


def crossings(plan: shapely.Polygon, y: float) -> list[tuple[float, float]]:
    """Return the stretches of the line at ``y`` that lie inside an outline, by x."""
    low, _, high, _ = plan.bounds
    cut = plan.intersection(shapely.LineString([(low - 1, y), (high + 1, y)]))
    parts = [part for part in getattr(cut, "geoms", [cut]) if part.length > 0.5]
    return sorted((part.bounds[0], part.bounds[2]) for part in parts)


def ends(plan: shapely.Polygon) -> list[tuple[float, float, float]]:
    """Return (x from, x to, y) of the back ends of an outline, patient-side order by x.

    A horseshoe has two; a base with a palate to the back has one.
    """
    back = plan.bounds[3]
    best: list[tuple[float, float]] = []
    for depth in np.arange(2.0, 12.0, 1.0):
        wide = [pair for pair in crossings(plan, back - depth) if pair[1] - pair[0] > 4.0]
        if len(wide) == 2 and (not best or _narrower(wide) > _narrower(best) + 0.5):
            best = wide
    if best:
        arms = [plan.intersection(shapely.box(a, plan.bounds[1], b, back + 1)) for a, b in best]
        return [(a, b, arm.bounds[3]) for (a, b), arm in zip(best, arms, strict=True)]
    a, b = max(
        crossings(plan, back - 3.0) or [(plan.bounds[0], plan.bounds[2])],
        key=lambda pair: pair[1] - pair[0],
    )
    return [(a, b, back)]


def _narrower(pairs: list[tuple[float, float]]) -> float:
    return min(b - a for a, b in pairs)

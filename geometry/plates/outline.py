"""The true footprint of a solid: its shadow on the plate."""

from __future__ import annotations

import manifold3d
import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh

ALLOWANCE_MM = 0.02
"""How far an outline may run outside the exact shadow, so that it has few corners."""

DEEP_MM = 0.4
"""What lies so deep inside the largest line of a shadow cannot change its outline."""


def footprint(solid: Mesh) -> shapely.Polygon:
    """Project a mesh on the plate.

    Parameters
    ----------
    solid : Mesh
        Standing on the plate, mm; projected along z. It need not be closed.

    Returns
    -------
    shapely.Polygon
        Contains the whole shadow and lies within 0.04 mm of it. Holes are closed:
        nothing is nested where it would have to be lifted over another model. When the
        solid has several separate parts they are joined by their convex hull.

    Raises
    ------
    GeometryError
        When nothing with an area is left.
    """
    # Grown, then simplified by no more than it grew: the shadow stays inside.
    grown = _shadow(solid).buffer(ALLOWANCE_MM, join_style="mitre", mitre_limit=2.0)
    outline = grown if grown.geom_type == "Polygon" else grown.convex_hull
    if outline.geom_type != "Polygon" or outline.area <= 0.0:
        raise GeometryError("the model has no footprint; stand it on the plate and save it again")
    outer = shapely.Polygon(outline.exterior)
    return shapely.Polygon(outer.simplify(0.9 * ALLOWANCE_MM).exterior)


def _shadow(solid: Mesh) -> shapely.Geometry:
    """Union of all faces laid flat, holes closed.

    All faces are turned upwards; an edge between two that lie side by side then runs both
    ways and falls away. What is left winds at least once around every point of the shadow.
    """
    flat = np.ascontiguousarray(solid.vertices[:, :2])
    ends = _lone_edges(*_upward_edges(flat, solid.faces), len(flat))
    line, begin = _loops(ends, len(flat))
    if not len(line):
        return shapely.Polygon()
    rings = _covered(_near_the_outline(flat[line], begin))
    # Rings of holes fill up here, which is what an outline wants.
    return shapely.union_all([shapely.Polygon(ring).buffer(0) for ring in rings])


def _covered(loops: list[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """Return the outlines of where loops wind at least once."""
    region = manifold3d.CrossSection(loops, manifold3d.FillRule.Positive)
    return [ring for ring in region.to_polygons() if len(ring) > 2]


@njit(cache=True, nogil=True)
def _upward_edges(
    flat: NDArray[np.float64], faces: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Number the directed edges of all faces, turned upwards, and the same edges turned round."""
    count = len(flat)
    there = np.empty(3 * len(faces), dtype=np.int64)
    back = np.empty(3 * len(faces), dtype=np.int64)
    n = 0
    for f in range(len(faces)):
        a, b, c = np.int64(faces[f, 0]), np.int64(faces[f, 1]), np.int64(faces[f, 2])
        turn = (flat[b, 0] - flat[a, 0]) * (flat[c, 1] - flat[a, 1]) - (flat[b, 1] - flat[a, 1]) * (
            flat[c, 0] - flat[a, 0]
        )
        if turn == 0.0:
            continue
        if turn < 0.0:
            b, c = c, b
        there[n], there[n + 1], there[n + 2] = a * count + b, b * count + c, c * count + a
        back[n], back[n + 1], back[n + 2] = b * count + a, c * count + b, a * count + c
        n += 3
    return there[:n], back[:n]


def _lone_edges(there: NDArray[np.int64], back: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Return the edges (k, 2) that no edge back makes up for, sorted."""
    left = _without_pairs(np.sort(there), np.sort(back))
    return np.column_stack((left // count, left % count))


@njit(cache=True, nogil=True)
def _without_pairs(there: NDArray[np.int64], back: NDArray[np.int64]) -> NDArray[np.int64]:
    out = np.empty_like(there)
    n, at = 0, 0
    for key in there:
        while at < len(back) and back[at] < key:
            at += 1
        if at < len(back) and back[at] == key:
            at += 1
        else:
            out[n] = key
            n += 1
    return out[:n]


@njit(cache=True, nogil=True)
def _loops(ends: NDArray[np.int64], count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Chain sorted edges to closed loops that touch no vertex twice.

    Returns
    -------
    line : (k,) int64
        Vertices of all loops, one after the other.
    begin : (loops + 1,) int64
        Where each begins.
    """
    first = np.searchsorted(ends[:, 0], np.arange(count + 1))
    used = first[:-1].copy()
    place = np.full(count, -1, dtype=np.int64)
    path = np.empty(len(ends) + 1, dtype=np.int64)
    line = np.empty(len(ends), dtype=np.int64)
    begin = np.zeros(len(ends) + 1, dtype=np.int64)
    loops, filled = 0, 0
    for e in range(len(ends)):
        start = ends[e, 0]
        while used[start] < first[start + 1]:
            path[0], place[start], top = start, 0, 1
            while top > 0 and used[path[top - 1]] < first[path[top - 1] + 1]:
                here = path[top - 1]
                after = ends[used[here], 1]
                used[here] += 1
                if place[after] < 0:
                    place[after] = top
                    path[top] = after
                    top += 1
                    continue
                back = place[after]
                for k in range(back, top):
                    line[filled] = path[k]
                    filled += 1
                    if k > back:
                        place[path[k]] = -1
                top = back + 1
                loops += 1
                begin[loops] = filled
            for k in range(top):
                place[path[k]] = -1
    return line[:filled], begin[: loops + 1]


def _near_the_outline(
    points: NDArray[np.float64], begin: NDArray[np.int64]
) -> list[NDArray[np.float64]]:
    """Split points into loops, without those deep inside the largest one."""
    starts, ends = begin[:-1], begin[1:]
    after = np.arange(1, len(points) + 1)
    after[ends - 1] = starts
    x, y = (points - points.mean(axis=0)).T
    areas = np.add.reduceat(x * y[after] - y * x[after], starts)
    low = np.minimum.reduceat(points, starts, axis=0)
    span = (np.maximum.reduceat(points, starts, axis=0) - low).max(axis=1)
    outer = int(np.argmax(areas))
    rings = _covered([points[starts[outer] : ends[outer]]])
    deep = shapely.union_all([shapely.Polygon(ring).buffer(-DEEP_MM) for ring in rings])
    shapely.prepare(deep)
    # Between corners so deep an edge shorter than that cannot come out.
    gone = np.logical_and.reduceat(shapely.contains_xy(deep, points), starts) & (span < DEEP_MM)
    gone[outer] = False
    return [points[a:b] for a, b in zip(starts[~gone], ends[~gone], strict=True)]

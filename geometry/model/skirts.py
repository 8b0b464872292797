"""Close a scan's border down to the base: straight walls, and skirts where it ends early."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.model.halfedges import Faces
from geometry.model.patches import fill_loop, joined_pairs

Array = NDArray[np.float64]

RIB_EVERY = 90
SMOOTHINGS = (0.4, 0.8, 1.6, 3.0)


@dataclass(frozen=True, slots=True)
class Foot:
    """The line in the trim plane on which a border loop comes to stand.

    Attributes
    ----------
    points : (k, 2) float64
        The line in plan, closed.
    vertex : (k,) int64
        Vertex of the loop that already lies there, or -1 for a point to be made.
    stretches : list of (first, last, chain)
        Skirts to be made: between the points ``first`` and ``last`` of the line
        runs the chain of loop vertices ``chain`` above it, ends included.
    """

    points: Array
    vertex: NDArray[np.int64]
    stretches: list[tuple[int, int, NDArray[np.int64]]]


def lay_foot(loop: NDArray[np.int64], vertices: Array, trim: float, step: float) -> Foot:
    """Find a simple closed line under a border loop.

    Where the loop lies in the trim plane the line is the loop itself. Where it
    runs above, the line is the loop's plan, smoothed just enough not to cross
    itself.

    Parameters
    ----------
    loop : (k,) int64
        Border vertices in order.
    vertices : (n, 3) float64, mm
    trim : float
    step : float
        Distance of new points, mm.

    Raises
    ------
    GeometryError
        The plan crosses itself however it is smoothed.
    """
    place = np.zeros(2)
    for reach in SMOOTHINGS:
        foot = _foot(loop, vertices, trim, step, reach)
        outline = shapely.Polygon(foot.points)
        if outline.is_valid and outline.area > 1.0:
            return foot
        why = shapely.is_valid_reason(outline)
        if "[" in why:
            place = np.array([float(v) for v in why[why.index("[") + 1 : -1].split()[:2]])
    near = vertices[loop][np.argmin(np.linalg.norm(vertices[loop][:, :2] - place, axis=1))]
    raise GeometryError(
        "the scan's border folds over itself"
        f" around ({near[0]:.0f}, {near[1]:.0f}, {near[2]:.0f}) mm in model axes and cannot be"
        " closed safely; raise the trim, or trim the border there and try again"
    )


def _foot(
    loop: NDArray[np.int64], vertices: Array, trim: float, step: float, reach: float
) -> Foot:
    above = vertices[loop, 2] > trim
    if not above.any():
        return Foot(vertices[loop, :2], loop, [])
    n = len(loop)
    points: list[Array] = []
    index: list[int] = []
    stretches: list[tuple[int, int, NDArray[np.int64]]] = []
    if above.all():
        ring = _smooth_ring(vertices[loop, :2], step, reach)
        # The ring starts under the loop's first vertex; chain and line are both closed.
        chain = np.append(loop, loop[0])
        stretches.append((0, len(ring), chain))
        return Foot(ring, np.full(len(ring), -1, dtype=np.int64), stretches)
    first = int(np.flatnonzero(~above)[0])
    order = np.roll(loop, -first)
    high = np.roll(above, -first)
    i = 0
    while i < n:
        if not high[i]:
            points.append(vertices[order[i], :2])
            index.append(int(order[i]))
            i += 1
            continue
        j = i
        while j < n and high[j]:
            j += 1
        chain = np.concatenate(([order[i - 1]], order[i:j], [order[j % n]]))
        line = _smooth_line(vertices[chain, :2], step, reach)
        start = len(points) - 1
        for p in line[1:-1]:
            points.append(p)
            index.append(-1)
        stretches.append((start, len(points), chain))
        i = j
    total = len(points)
    stretches = [(a, b % total, c) for a, b, c in stretches]
    return Foot(np.asarray(points), np.asarray(index, dtype=np.int64), stretches)


def _resample(points: Array, step: float, least: int) -> Array:
    lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
    s = np.concatenate(([0.0], np.cumsum(lengths)))
    count = max(least, int(np.ceil(s[-1] / step)) + 1)
    t = np.linspace(0.0, s[-1], count)
    return np.column_stack([np.interp(t, s, points[:, k]) for k in range(2)])


def _smooth_line(plan: Array, step: float, reach: float) -> Array:
    """Resample an open line and smooth it over ``reach`` mm, ends kept."""
    line = _resample(plan, step, 3)
    for _ in range(max(1, round(4.0 * (reach / step) ** 2))):
        line[1:-1] += 0.5 * (0.5 * (line[:-2] + line[2:]) - line[1:-1])
    return _resample(line, step, 3)


def _smooth_ring(plan: Array, step: float, reach: float) -> Array:
    line = _resample(np.vstack((plan, plan[:1])), step, 8)[:-1]
    for _ in range(max(1, round(4.0 * (reach / step) ** 2))):
        line += 0.5 * (0.5 * (np.roll(line, 1, axis=0) + np.roll(line, -1, axis=0)) - line)
    start = int(np.argmin(np.linalg.norm(line - plan[0], axis=1)))
    return np.roll(line, -start, axis=0)


def skirt_faces(
    chain: NDArray[np.int64], line: NDArray[np.int64], vertices: Array, faces: Faces
) -> Faces:
    """Triangulate between a chain of border vertices and the line below it.

    Parameters
    ----------
    chain : (a,) int64
        Border vertices in the border's direction; the first and last may be the
        line's own.
    line : (b,) int64
        Vertices below, in the same direction.
    vertices : (n, 3) float64
    faces : (m, 3) int32
        The surface above.

    Returns
    -------
    (m, 3) int32 faces that continue the border's surface with its winding.
    """
    parts: list[Faces] = []
    b0 = 0
    cuts = list(range(RIB_EVERY, len(chain) - RIB_EVERY // 2, RIB_EVERY))
    ends = []
    for cut in cuts:
        window = np.arange(cut - RIB_EVERY // 3, cut + RIB_EVERY // 3)
        a = int(window[np.argmin(vertices[chain[window], 2])])
        gap = np.linalg.norm(vertices[line, :2] - vertices[chain[a], :2], axis=1)
        gap[: b0 + 1] = np.inf
        gap[-1] = np.inf
        b = int(np.argmin(gap))
        if not np.isfinite(gap[b]):
            continue
        ends.append((a, b))
        b0 = b
    a0, b0 = 0, 0
    for a, b in [*ends, (len(chain) - 1, len(line) - 1)]:
        upper = chain[a0 : a + 1]
        lower = line[b0 : b + 1]
        ring = np.concatenate((upper[::-1], lower[1:] if upper[0] == lower[0] else lower))
        if upper[-1] == lower[-1]:
            ring = ring[:-1]
        level = np.isin(ring, lower)
        made = fill_loop(vertices[ring], level, joined_pairs(faces, ring))
        parts.append(ring[made].astype(np.int32))
        a0, b0 = a, b
    return np.concatenate(parts)


def cap(outlines: list[Array]) -> NDArray[np.int32]:
    """Triangulate a region of the plane.

    Parameters
    ----------
    outlines : list of (k, 2) float64
        Outer lines counter-clockwise, inner ones clockwise.

    Returns
    -------
    (m, 3) int32 indices into the concatenated points, counter-clockwise.
    """
    return np.asarray(manifold3d.triangulate(outlines), dtype=np.int32).reshape(-1, 3)

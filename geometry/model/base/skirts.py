"""Close a scan's border down to the base: straight walls, and skirts where it ends early."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.model.base.bridges import Bridges
from geometry.model.base.ends import on_planes
from geometry.model.bodies.underside import cap
from geometry.model.surface.halfedges import Faces
from geometry.model.surface.patches import fill_loop, joined_pairs, refine_patch

Array = NDArray[np.float64]

RIB_EVERY = 90


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
    plane : list of bool
        For each stretch, whether its chain lies in an upright plane.
    """

    points: Array
    vertex: NDArray[np.int64]
    stretches: list[tuple[int, int, NDArray[np.int64]]]
    plane: list[bool]


class CrossedBorder(Exception):
    """The plan of a border crosses itself at ``places`` (k, 3)."""

    def __init__(self, places: Array) -> None:
        super().__init__("border crosses itself")
        self.places = places


def lay_foot(
    loop: NDArray[np.int64],
    vertices: Array,
    trim: float,
    step: float,
    bridges: Bridges,
    planes: Array | None = None,
) -> Foot:
    """Find a simple closed line under a border loop.

    Where the loop lies in the trim plane the line is the loop itself. Where it runs above, the
    line is the loop's plan, for an upright wall; under a bridge, and where the loop runs in one
    of the planes, it is straight, however often the loop turns there.

    Parameters
    ----------
    loop : (k,) int64
        Border vertices in order.
    vertices : (n, 3) float64, mm
    trim : float
    step : float
        Distance of new points, mm.
    bridges : Bridges
    planes : (p, 3) float64, optional
        Upright planes along which the surface was cut off: normal in plan and offset.

    Raises
    ------
    CrossedBorder
        The plan crosses itself.
    """
    foot = _foot(loop, vertices, trim, step, bridges, planes)
    if len(foot.points) < 3:  # nearly all of a small border lies under bridges
        raise CrossedBorder(vertices[loop])
    outline = shapely.Polygon(foot.points)
    if outline.is_valid and outline.area > 1.0:
        return foot
    near = cKDTree(vertices[loop, :2]).query(_crossings(foot.points))[1]
    raise CrossedBorder(vertices[loop][np.unique(near)])


def _crossings(ring: Array) -> Array:
    """Return middles of the segments of a closed line that other segments meet."""
    ends = np.stack((ring, np.roll(ring, -1, axis=0)), axis=1)
    lines = shapely.linestrings(ends)
    a, b = shapely.STRtree(lines).query(lines, predicate="intersects")
    gap = np.abs(a - b)
    far = (gap > 1) & (gap < len(ring) - 1)
    return np.asarray(ends.mean(axis=1)[np.unique(a[far])] if far.any() else ring[:1])


def _foot(
    loop: NDArray[np.int64],
    vertices: Array,
    trim: float,
    step: float,
    bridges: Bridges,
    planes: Array | None,
) -> Foot:
    line = vertices[loop]
    above = line[:, 2] > trim
    if not above.any():
        return Foot(line[:, :2], loop, [], [])
    free = above & bridges.over(line)
    if planes is not None:
        inside = np.zeros(len(loop), dtype=bool)
        for on in on_planes(line, planes):
            inside |= on & np.roll(on, 1) & np.roll(on, -1)
        free |= above & inside
    if free.all():
        free[int(np.argmin(line[:, 2]))] = False
    first = int(np.flatnonzero(~free)[0])
    order, high, leaps = (np.roll(of, -first) for of in (loop, above, free))
    start = np.flatnonzero(~leaps)
    after = np.append(start[1:], len(loop))
    end = after % len(loop)
    straight = after > start + 1
    follows = ~straight & (high[start] | high[end])
    # A wall that follows the border ends where the border comes down.
    last = follows & ~(np.append(follows[1:], False) & high[end])
    began = np.flatnonzero(follows & np.append(True, ~follows[:-1] | last[:-1])).tolist()
    ended = np.flatnonzero(last).tolist()
    walls = [
        (i, j, order[np.append(start[i : j + 1], end[j])])
        for i, j in zip(began, ended, strict=True)
    ]
    bridged = np.flatnonzero(straight).tolist()
    chains = [np.append(order[start[k] : after[k]], order[end[k]]) for k in bridged]
    flat = [planes is not None and _in_one(vertices[chain], planes) for chain in chains]
    runs = [
        np.empty((0, 2)) if level else _run(vertices[chain[[0, -1]], :2], step)
        for chain, level in zip(chains, flat, strict=True)
    ]
    more = np.zeros(len(start), dtype=np.int64)
    more[straight] = [len(run) for run in runs]
    here = np.arange(len(start)) + np.cumsum(more) - more
    points = np.empty((len(start) + int(more.sum()), 2))
    index = np.full(len(points), -1, dtype=np.int64)
    points[here] = vertices[order[start], :2]
    index[here] = np.where(high[start], -1, order[start])
    stretches = []
    for k, run, chain, level in zip(bridged, runs, chains, flat, strict=True):
        points[here[k] + 1 : here[k] + 1 + len(run)] = run
        stretches.append((k, int(here[k]), int(here[k]) + 1 + len(run), chain, level))
    for i, j, chain in walls:
        stretches.append((j, int(here[i]), int(here[j]) + 1, chain, False))
    stretches.sort(key=lambda one: one[0])
    return Foot(
        points,
        index,
        [(one, other % len(points), chain) for _, one, other, chain, _ in stretches],
        [level for *_, level in stretches],
    )


def _run(ends: Array, step: float) -> Array:
    """Return points (k, 2) on the line between two others, some steps apart."""
    count = max(2, int(np.ceil(np.linalg.norm(ends[1] - ends[0]) / step)))
    share = np.linspace(0.0, 1.0, count + 1)[1:-1, None]
    return np.asarray(ends[0] + share * (ends[1] - ends[0]))


def _in_one(plan: Array, planes: Array) -> bool:
    return bool(on_planes(plan, planes).all(axis=1).any())


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
    if np.array_equal(vertices[chain, :2], vertices[line, :2]):
        return _upright(chain, line)
    flat = _unrolled(chain, line, vertices)
    if flat is not None and not _doubled(flat, chain, faces):
        return flat
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


def plane_wall(
    chain: NDArray[np.int64], line: NDArray[np.int64], vertices: Array, faces: Faces, edge: float
) -> tuple[Array, Faces]:
    """Triangulate an upright plane between a chain of border vertices and a straight line.

    It gets points of its own: long narrow faces in one plane look as if they crossed.

    Parameters
    ----------
    chain, line, vertices, faces
        As for :func:`skirt_faces`.
    edge : float
        Edge length wanted, mm.

    Returns
    -------
    points : (k, 3) float64
        They follow ``vertices``.
    faces : (m, 3) int32
    """
    made = skirt_faces(chain, line, vertices, faces)
    ring = np.unique(made).astype(np.int64)
    local = np.searchsorted(ring, made).astype(np.int32)
    taken = joined_pairs(faces, ring)
    points, refined = refine_patch(vertices[ring], local, edge, taken)
    fresh = len(vertices) + np.arange(len(points) - len(ring))
    return points[len(ring) :], np.concatenate((ring, fresh))[refined].astype(np.int32)


def _unrolled(chain: NDArray[np.int64], line: NDArray[np.int64], vertices: Array) -> Faces | None:
    """Triangulate the wall rolled out over its foot line; None where it would overlap."""
    foot = vertices[line, :2]
    step = np.linalg.norm(np.diff(foot, axis=0), axis=1)
    s_line = np.concatenate(([0.0], np.cumsum(step)))
    # Where both begin or end in one vertex, the line brings it along.
    inner = chain[int(chain[0] == line[0]) : len(chain) - int(chain[-1] == line[-1])]
    if not len(inner) or chain[0] == chain[-1]:
        return None
    s_chain = _along(vertices[inner, :2], foot, s_line)
    low = vertices[line[0], 2]
    outline = np.vstack(
        (
            np.column_stack((s_line, np.full(len(line), low))),
            np.column_stack((s_chain, vertices[inner, 2]))[::-1],
        )
    )
    if not shapely.Polygon(outline).is_valid:
        return None
    ring = np.concatenate((line, inner[::-1]))
    return ring[cap([outline])].astype(np.int32)


def _doubled(made: Faces, chain: NDArray[np.int64], faces: Faces) -> bool:
    """Tell whether faces lay an edge across a border where the surface has one already."""
    taken = {frozenset(pair) for pair in joined_pairs(faces, chain[:-1])}
    place = {vertex: k for k, vertex in enumerate(chain[:-1].tolist())}
    last = len(place) - 1
    for face in made.tolist():
        on = [place[v] for v in face if v in place]
        for i, a in enumerate(on):
            for b in on[:i]:
                if 1 < abs(a - b) < last and frozenset((a, b)) in taken:
                    return True
    return False


@njit(cache=True, nogil=True)
def _along(points: Array, line: Array, s: Array) -> Array:
    """Arc length of the place on a polyline closest to each point."""
    out = np.zeros(len(points))
    last = len(line) - 2
    for n in range(len(points)):
        best = np.inf
        for k in range(last + 1):
            dx, dy = line[k + 1, 0] - line[k, 0], line[k + 1, 1] - line[k, 1]
            length = dx * dx + dy * dy
            if length < 1e-18:
                continue
            x, y = points[n, 0] - line[k, 0], points[n, 1] - line[k, 1]
            t = (x * dx + y * dy) / length
            # Beyond the ends of the line it runs straight on.
            if k > 0:
                t = max(t, 0.0)
            if k < last:
                t = min(t, 1.0)
            gap = np.hypot(x - t * dx, y - t * dy)
            if gap < best - 1e-12:
                best = gap
                out[n] = s[k] + t * np.sqrt(length)
    return out


def _upright(chain: NDArray[np.int64], line: NDArray[np.int64]) -> Faces:
    """Triangulate an upright wall: every border vertex stands over its own point."""
    a, b, c, d = chain[:-1], chain[1:], line[:-1], line[1:]
    faces = np.concatenate((np.column_stack((b, a, c)), np.column_stack((b, c, d))))
    x, y, z = faces.T
    return faces[(x != y) & (y != z) & (z != x)].astype(np.int32)

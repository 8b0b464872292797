"""The line that the crowns stand on, and every vertex's place along and across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from geometry.errors import GeometryError

Array = NDArray[np.float64]

CELL_MM = 1.0
WINDOW = 6
NODE_MM = 1.5
BITE_BAND_MM = 4.0
BRIDGE_MM = 15.0
WIDEST_GAP_MM, TOOTH_NODES = 32.0, 15
"""Beyond a gap wider than a bridge stands a tooth if it fills so many cells."""
TAIL_MM = 14.0
STEP_MM = 0.25
STIFF_MM = 7.0


@dataclass(frozen=True, slots=True)
class ArchLine:
    """A smooth plane curve through the crowns, from the patient's right to the left.

    Attributes
    ----------
    points : (n, 2) float64
        Curve in (right, anterior) millimetres, spaced by ``STEP_MM``, with straight tails.
    outward : (n, 2) float64
        Unit normals towards lips and cheeks.
    s : (n,) float64
        Arc length, 0 at the first point.
    nearest : (rows, columns) int32
        Index of the nearest curve point on a plane grid.
    low : (2,) float64
        Corner of that grid.
    """

    points: Array
    outward: Array
    s: Array
    nearest: NDArray[np.int32]
    low: Array


def find_arch_line(local: Array) -> ArchLine:
    """Trace the row of crowns in a scan given in (right, anterior, occlusal) axes.

    Parameters
    ----------
    local : (n, 3) float64
        Vertices relative to the occlusal plane, occlusal up, mm.

    Raises
    ------
    GeometryError
        When nothing reaches the occlusal plane over at least a few teeth.
    """
    crowns = local[local[:, 2] > -BITE_BAND_MM]
    if len(crowns) < 50:
        raise GeometryError("no crowns near the occlusal plane: is this a dental arch?")
    nodes = _nodes(crowns)
    path = _longest_way(nodes)
    curve = _principal_curve(path, nodes)
    return _with_grid(curve, local)


def _nodes(crowns: Array) -> Array:
    """Centres of the cells that crowns occupy in plan, without lone specks."""
    cell = np.floor(crowns[:, :2] / NODE_MM).astype(np.int64)
    cell -= cell.min(0)
    key = cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1]
    _, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
    total = np.stack([np.bincount(inverse, crowns[:, axis]) for axis in (0, 1)], axis=1)
    nodes = total / count[:, None]
    nodes = nodes[count >= 3]
    tree = cKDTree(nodes)
    pairs = tree.query_pairs(2.2 * NODE_MM, output_type="ndarray")
    label = _labels(len(nodes), pairs)
    size = np.bincount(label)
    return nodes[size[label] >= 5]


def _labels(n: int, pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _bridged(nodes: Array, pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Pairs of neighbours (k, 2), and one more to each tooth beyond a wide gap."""
    label = _labels(len(nodes), pairs)
    size = np.bincount(label)
    main = label == np.argmax(size)
    for part in np.argsort(-size, kind="stable")[1:]:
        if size[part] < TOOTH_NODES:
            break
        own, rest = np.flatnonzero(label == part), np.flatnonzero(main)
        away, nearest = cKDTree(nodes[rest]).query(nodes[own])
        k = int(np.argmin(away))
        if away[k] < WIDEST_GAP_MM:
            pairs = np.concatenate([pairs, [[own[k], rest[nearest[k]]]]])
            main[own] = True
    return pairs


def _longest_way(nodes: Array) -> Array:
    """Way along the crowns between the two places that are farthest apart along them."""
    if len(nodes) < 4:
        raise GeometryError("too few crowns near the occlusal plane to follow the arch")
    tree = cKDTree(nodes)
    pairs = _bridged(nodes, tree.query_pairs(BRIDGE_MM, output_type="ndarray"))
    length = np.linalg.norm(nodes[pairs[:, 0]] - nodes[pairs[:, 1]], axis=1)
    n = len(nodes)
    # Squared lengths make the way hop from crown to crown instead of cutting across.
    graph = coo_matrix((length**2, (pairs[:, 0], pairs[:, 1])), shape=(n, n)).tocsr()
    first = dijkstra(graph, directed=False, indices=int(np.argmin(nodes[:, 1])))
    reached = np.isfinite(first)
    first[~reached] = -1
    a = int(np.argmax(first))
    cost, before = dijkstra(graph, directed=False, indices=a, return_predecessors=True)
    cost[~np.isfinite(cost)] = -1
    b = int(np.argmax(cost))
    way = [b]
    while way[-1] != a and before[way[-1]] >= 0:
        way.append(int(before[way[-1]]))
    return nodes[way]


def _resample(points: Array, step: float) -> Array:
    s = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    at = np.arange(max(int(s[-1] / step) + 1, 4)) * step
    return np.stack([np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])], 1)


def _bend_least(places: Array, weight: Array, length: float) -> Array:
    """Curve near weighted places that bends as little as it can; straight where none are.

    Parameters
    ----------
    places : (n, 2) weighted mean of the points at each step of the curve
    weight : (n,) their weight
    length : float
        Details shorter than this are smoothed away, steps.
    """
    n = len(places)
    stiff = float(weight[weight > 0].mean()) * length**4
    bands = np.zeros((3, n))
    bands[2] = weight + 1e-9
    for offset, pattern in ((0, (1.0, 4.0, 1.0)), (1, (-2.0, -2.0)), (2, (1.0,))):
        for q, value in enumerate(pattern):
            # Second differences d[i] = c[i] − 2 c[i+1] + c[i+2], squared and summed.
            bands[2 - offset, offset + q : n - 2 + offset + q] += stiff * value
    return np.asarray(solveh_banded(bands, weight[:, None] * places))


def _extended(curve: Array, by: float) -> Array:
    """Add straight ends that keep the direction of the last few millimetres."""
    reach = min(8, len(curve) - 1)
    head = curve[0] - curve[reach]
    tail = curve[-1] - curve[-1 - reach]
    head, tail = head / np.linalg.norm(head), tail / np.linalg.norm(tail)
    steps = np.arange(1.0, by + 1.0)[:, None]
    return np.concatenate([curve[0] + steps[::-1] * head, curve, curve[-1] + steps * tail])


def _principal_curve(path: Array, nodes: Array) -> Array:
    """Smooth curve through the middle of the crowns, right to left."""
    curve = _resample(path, 1.0)
    smooth = min(STIFF_MM, max(len(curve) / 5.0, 2.0))
    curve = _bend_least(curve, np.ones(len(curve)), 0.6 * smooth)
    # The way ends in a corner of the last tooth: leave that out and go straight on.
    cut = 6 if len(curve) > 30 else 1
    curve = curve[cut:-cut]
    for _ in range(5):
        curve = _extended(_resample(curve, 1.0), 14.0)
        distance, index = cKDTree(curve).query(nodes)
        n = len(curve)
        trust = 1.0 / (1.0 + (distance / 6.0) ** 4)
        weight = np.asarray(np.bincount(index, trust, minlength=n), dtype=np.float64)
        sums = np.stack([np.bincount(index, trust * nodes[:, d], minlength=n) for d in (0, 1)], 1)
        mean = sums / np.maximum(weight, 1e-9)[:, None]
        curve = _bend_least(mean, weight, smooth)
        used = np.flatnonzero(weight > 0)
        curve = curve[used[0] : used[-1] + 1]
    if curve[0, 0] < curve[-1, 0]:
        curve = curve[::-1]
    return curve


def _with_grid(curve: Array, local: Array) -> ArchLine:
    curve = _resample(curve, STEP_MM)
    reach = min(32, len(curve) - 1)
    n = int(TAIL_MM / STEP_MM)
    ahead = curve[-1] - curve[-1 - reach]
    back = curve[0] - curve[reach]
    ahead, back = ahead / np.linalg.norm(ahead), back / np.linalg.norm(back)
    steps = np.arange(1, n + 1)[:, None] * STEP_MM
    points = np.concatenate([curve[0] + steps[::-1] * back, curve, curve[-1] + steps * ahead])
    s = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    tangent = np.gradient(points, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    # Right to left with the front ahead: the outside lies to the right of the way.
    outward = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    low = local[:, :2].min(0) - CELL_MM
    size = np.ceil((local[:, :2].max(0) - low) / CELL_MM).astype(int) + 2
    if size.prod() > 400_000:
        raise GeometryError("the scan is far larger than a dental arch: check its units")
    gx, gy = np.meshgrid(low[0] + np.arange(size[0]) * CELL_MM,
                         low[1] + np.arange(size[1]) * CELL_MM, indexing="ij")
    _, nearest = cKDTree(points[::2]).query(np.stack([gx.ravel(), gy.ravel()], 1))
    index = np.minimum(nearest * 2, len(points) - 1)
    return ArchLine(points, outward, s, index.reshape(gx.shape).astype(np.int32), low)


@njit(cache=True, nogil=True)
def _project(xy, points, s, outward, nearest, low, cell):  # type: ignore[no-untyped-def]
    n = xy.shape[0]
    out = np.empty((n, 2), dtype=np.float64)
    last = points.shape[0] - 1
    for i in range(n):
        x, y = xy[i, 0], xy[i, 1]
        a = int((x - low[0]) / cell + 0.5)
        b = int((y - low[1]) / cell + 0.5)
        a = min(max(a, 0), nearest.shape[0] - 1)
        b = min(max(b, 0), nearest.shape[1] - 1)
        k = nearest[a, b]
        best = 1e18
        at = k
        for j in range(max(k - WINDOW, 0), min(k + WINDOW + 1, last + 1)):
            d = (points[j, 0] - x) ** 2 + (points[j, 1] - y) ** 2
            if d < best:
                best, at = d, j
        tx, ty = -outward[at, 1], outward[at, 0]
        dx, dy = x - points[at, 0], y - points[at, 1]
        out[i, 0] = s[at] + dx * tx + dy * ty
        out[i, 1] = dx * outward[at, 0] + dy * outward[at, 1]
    return out


def project(line: ArchLine, xy: Array) -> Array:
    """Arc length and outward distance of plane points, (n, 2)."""
    return np.asarray(
        _project(np.ascontiguousarray(xy), line.points, line.s, line.outward, line.nearest,
                 line.low, CELL_MM)
    )


def place(line: ArchLine, s: float, n: float) -> Array:
    """Plane point at arc length ``s`` and outward distance ``n``, (2,)."""
    k = min(max(round(s / STEP_MM), 0), len(line.s) - 1)
    x, y = line.points[k]
    ox, oy = line.outward[k]
    along = s - line.s[k]
    return np.array([x - oy * along + ox * n, y + ox * along + oy * n])


def places(line: ArchLine, s: Array, n: Array) -> Array:
    """Plane points at arc lengths ``s`` (k,) and outward distances ``n`` (k,), (k, 2)."""
    k = np.clip(np.round(s / STEP_MM).astype(np.int64), 0, len(line.s) - 1)
    outward = line.outward[k]
    tangent = np.stack([-outward[:, 1], outward[:, 0]], axis=1)
    return np.asarray(
        line.points[k] + tangent * (s - line.s[k])[:, None] + outward * n[:, None]
    )

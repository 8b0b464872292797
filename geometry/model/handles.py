"""Find and remove handles, so that a solid is a topological ball (genus 0).

A scan carries tiny tunnels and bridges where two surfaces nearly touch. Each
handle is found by a tree–cotree decomposition (Eppstein 2003, "Dynamic
generators of topologically embedded graphs"), cut open along a short loop
around it and closed with two patches.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from geometry.model.halfedges import Faces, edge_keys

Array = NDArray[np.float64]

SHORT_TUNNEL = 14.0


def genus(faces: Faces) -> int:
    """Genus of a closed, connected, oriented surface."""
    used = int(np.count_nonzero(np.bincount(faces.ravel())))
    return 1 - (used - len(faces) // 2) // 2


@njit(cache=True, nogil=True)
def _cotree(
    face_of: NDArray[np.int64], in_tree: NDArray[np.bool_], order: NDArray[np.int64], count: int
) -> NDArray[np.bool_]:
    """Join faces over the edges that the tree left out; return the edges left over."""
    parent = np.arange(count)
    spare = np.zeros(len(in_tree), dtype=np.bool_)
    for e in order:
        if in_tree[e]:
            continue
        a, b = face_of[e, 0], face_of[e, 1]
        while parent[a] != a:
            parent[a] = parent[parent[a]]
            a = parent[a]
        while parent[b] != b:
            parent[b] = parent[parent[b]]
            b = parent[b]
        if a == b:
            spare[e] = True
        else:
            parent[a] = b
    return spare


def handle_loops(vertices: Array, faces: Faces, root: int) -> list[NDArray[np.int64]]:
    """Return a loop of vertices for each generator of a closed surface, shortest first.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int32
        Closed and connected.
    root : int
        Vertex from which the shortest-path tree grows.

    Returns
    -------
    2 · genus loops.
    """
    keys = edge_keys(faces)
    unique, inverse = np.unique(keys, return_inverse=True)
    base = np.int64(faces.max()) + 1
    ends = np.column_stack((unique // base, unique % base))
    length = np.linalg.norm(vertices[ends[:, 0]] - vertices[ends[:, 1]], axis=1) + 1e-9
    n = len(vertices)
    graph = coo_matrix((length, (ends[:, 0], ends[:, 1])), shape=(n, n)).tocsr()
    distance, before = dijkstra(graph, directed=False, indices=root, return_predecessors=True)
    in_tree = (before[ends[:, 0]] == ends[:, 1]) | (before[ends[:, 1]] == ends[:, 0])
    half = np.argsort(inverse, kind="stable")
    face_of = (half // 3).reshape(-1, 2)
    # Edges whose loop is long join first, so that short loops are left over.
    through = distance[ends[:, 0]] + distance[ends[:, 1]] + length
    order = np.argsort(-through, kind="stable")
    spare = np.flatnonzero(_cotree(face_of, in_tree, order, len(faces)))
    chain, start, size = _loops(before.astype(np.int64), ends[spare], vertices)
    rank = np.argsort(size, kind="stable").tolist()
    return [chain[start[k] : start[k + 1]] for k in rank]


@njit(cache=True, nogil=True)
def _loops(
    before: NDArray[np.int64], ends: NDArray[np.int64], vertices: Array
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Close each edge to a loop through the tree, up to where its two ends meet in it.

    Returns
    -------
    chain : all loops one after another
    start : (k + 1,) where each begins
    size : (k,) lengths
    """
    mark = np.full(len(before), -1, dtype=np.int64)
    chain = np.empty(4096, dtype=np.int64)
    start = np.zeros(len(ends) + 1, dtype=np.int64)
    size = np.zeros(len(ends))
    count = 0
    for e in range(len(ends)):
        at = ends[e, 0]
        while at >= 0:
            mark[at] = e
            at = before[at]
        meet = ends[e, 1]
        long = 1
        while mark[meet] != e:
            meet = before[meet]
            long += 1
        at = ends[e, 0]
        while at != meet:
            at = before[at]
            long += 1
        if count + long > len(chain):
            grown = np.empty(2 * (count + long), dtype=np.int64)
            grown[:count] = chain[:count]
            chain = grown
        first = count
        at = ends[e, 0]
        while at != meet:
            chain[count] = at
            count += 1
            at = before[at]
        chain[count] = meet
        count += 1
        fill = first + long - 1
        at = ends[e, 1]
        while at != meet:
            chain[fill] = at
            fill -= 1
            at = before[at]
        count = first + long
        start[e + 1] = count
        for k in range(first, count):
            a = chain[k]
            b = chain[k + 1] if k + 1 < count else chain[first]
            d = vertices[a] - vertices[b]
            size[e] += np.sqrt((d * d).sum())
    return chain[:count], start, size


def _length(vertices: Array, loop: NDArray[np.int64]) -> float:
    p = vertices[loop]
    return float(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1).sum())


class _Around:
    """Finds the faces about vertices without going through all of them."""

    def __init__(self, faces: Faces, count: int) -> None:
        self._faces = faces
        flat = faces.ravel()
        self._face = np.argsort(flat, kind="stable") // 3
        self._start = np.concatenate(([0], np.cumsum(np.bincount(flat, minlength=count))))

    def __call__(self, loop: NDArray[np.int64]) -> Faces:
        """Return the faces with a corner in a loop."""
        runs = [self._face[self._start[v] : self._start[v + 1]] for v in loop.tolist()]
        return self._faces[np.unique(np.concatenate(runs))]


def goes_around_air(vertices: Array, touching: Faces, loop: NDArray[np.int64]) -> bool:
    """Tell whether a loop runs around a tunnel (True) or around a bridge of material.

    Parameters
    ----------
    vertices : (n, 3) float64
    touching : (k, 3) int32
        The faces with a corner in the loop.
    loop : (m,) int64
    """
    p = vertices[touching]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    inward = vertices[loop].mean(axis=0) - p.mean(axis=1)
    return bool((normal * inward).sum() > 0)


def handle_cuts(
    vertices: Array, faces: Faces, allowed: NDArray[np.bool_], longest: float
) -> list[NDArray[np.int64]]:
    """Return loops, well apart, along which to cut handles of a closed surface.

    A loop around a tunnel is preferred to one around a bridge, unless the bridge
    is much thinner.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int32
    allowed : (n,) bool
        Vertices that a loop may run through.
    longest : float
        Longest loop that may be cut, mm.
    """
    root = int(faces[allowed[faces].all(axis=1)][0, 0])
    found = handle_loops(vertices, faces, root)
    around = _Around(faces, len(vertices))
    chosen: list[NDArray[np.int64]] = []
    near = np.zeros(len(vertices), dtype=bool)
    for loop in found:
        if _length(vertices, loop) >= SHORT_TUNNEL:
            break
        if not allowed[loop].all() or near[loop].any():
            continue
        if goes_around_air(vertices, around(loop), loop):
            chosen.append(loop)
            near[around(loop).ravel()] = True
    if chosen or not found:
        return chosen
    # Grown from a point of a loop, the tree gives a tighter one.
    tighter = handle_loops(vertices, faces, int(found[0][len(found[0]) // 2]))
    scored = []
    for rank, loop in enumerate([*found, *tighter]):
        length = _length(vertices, loop)
        if allowed[loop].all() and length < longest:
            weight = 1.0 if goes_around_air(vertices, around(loop), loop) else 2.0
            scored.append((weight * length, rank, loop))
    return [min(scored)[2]] if scored else []

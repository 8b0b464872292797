"""Fill closed loops of a surface with triangles, and smooth what was filled."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.linalg import splu

from geometry.model.surface.halfedges import Faces, compact

LONGEST_EXACT = 220


@njit(cache=True, nogil=True)
def _least_area(
    points: NDArray[np.float64], level: NDArray[np.bool_], taken: NDArray[np.bool_]
) -> NDArray[np.int32]:
    """Least-area triangulation of a closed polygon in space (Barequet and Sharir 1995).

    A triangle of three ``level`` points, or a diagonal that is ``taken``, is used
    only where nothing else is left.
    """
    n = len(points)
    cost = np.zeros((n, n), dtype=np.float64)
    split = np.zeros((n, n), dtype=np.int32)
    for span in range(2, n):
        for i in range(n - span):
            j = i + span
            best = np.inf
            at = i + 1
            ex = points[j, 0] - points[i, 0]
            ey = points[j, 1] - points[i, 1]
            ez = points[j, 2] - points[i, 2]
            for m in range(i + 1, j):
                c = cost[i, m] + cost[m, j]
                if c >= best:
                    continue
                wx = points[m, 0] - points[i, 0]
                wy = points[m, 1] - points[i, 1]
                wz = points[m, 2] - points[i, 2]
                nx = ey * wz - ez * wy
                ny = ez * wx - ex * wz
                nz = ex * wy - ey * wx
                c += 0.5 * np.sqrt(nx * nx + ny * ny + nz * nz)
                if level[i] and level[j] and level[m]:
                    c += 1e6
                if c < best:
                    best = c
                    at = m
            cost[i, j] = best + (1e6 if taken[i, j] else 0.0)
            split[i, j] = at
    faces = np.empty((n - 2, 3), dtype=np.int32)
    stack = np.empty((2 * n, 2), dtype=np.int32)
    stack[0, 0], stack[0, 1] = 0, n - 1
    top = 1
    count = 0
    while top > 0:
        top -= 1
        i, j = stack[top, 0], stack[top, 1]
        if j - i < 2:
            continue
        m = split[i, j]
        faces[count, 0], faces[count, 1], faces[count, 2] = i, m, j
        count += 1
        stack[top, 0], stack[top, 1] = i, m
        stack[top + 1, 0], stack[top + 1, 1] = m, j
        top += 2
    return faces[:count]


def fill_loop(
    points: NDArray[np.float64],
    level: NDArray[np.bool_] | None = None,
    taken: list[tuple[int, int]] | None = None,
) -> Faces:
    """Triangulate a closed loop in space without adding points.

    Parameters
    ----------
    points : (n, 3) float64, mm
        The loop in order; the faces are wound like it.
    level : (n,) bool, optional
        Points that lie on one line of a plane: no triangle is made of three of them.
    taken : list of (i, j), optional
        Pairs of loop points that an edge of the surface joins already: no second
        edge is laid between them.

    Returns
    -------
    (n − 2, 3) int32 indices into ``points``.
    """
    n = len(points)
    if n < 3:
        return np.empty((0, 3), dtype=np.int32)
    points = np.ascontiguousarray(points)
    if level is None:
        level = np.zeros(n, dtype=bool)
    banned = np.zeros((n, n), dtype=bool)
    for i, j in taken or []:
        if 1 < abs(i - j) < n - 1:
            banned[i, j] = banned[j, i] = True
    if n <= LONGEST_EXACT:
        return np.asarray(_least_area(points, level, banned))
    # A long loop is filled between every k-th point first, then along each stretch.
    step = -(-n // LONGEST_EXACT)
    coarse = np.arange(0, n, step)
    parts = [coarse[_least_area(points[coarse], level[coarse], banned[np.ix_(coarse, coarse)])]]
    for first, last in zip(coarse, np.append(coarse[1:], n), strict=True):
        run = np.arange(first, last + 1) % n
        if len(run) > 2:
            parts.append(run[_least_area(points[run], level[run], banned[np.ix_(run, run)])])
    return np.concatenate(parts).astype(np.int32)


def joined_pairs(faces: Faces, line: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return the pairs of places in a loop whose vertices an edge of the surface joins."""
    place = np.full(int(max(faces.max(), line.max())) + 1, -1, dtype=np.int64)
    place[line] = np.arange(len(line))
    on = place[faces]
    pairs: set[tuple[int, int]] = set()
    for a, b in ((0, 1), (1, 2), (2, 0)):
        both = (on[:, a] >= 0) & (on[:, b] >= 0)
        pairs.update(zip(on[both, a].tolist(), on[both, b].tolist(), strict=True))
    return sorted(pairs)


def refine_patch(
    vertices: NDArray[np.float64],
    faces: Faces,
    edge: float,
    taken: list[tuple[int, int]] | None = None,
) -> tuple[NDArray[np.float64], Faces]:
    """Add points inside a patch until its triangles are about ``edge`` mm wide.

    Border edges are left whole, and no edge is laid between ``taken`` pairs of points
    (those that the surface around joins already). Centroid insertion with edge flips after
    Liepa (2003), "Filling holes in meshes".
    """
    points = np.asarray(vertices, dtype=np.float64)
    tris = np.asarray(faces, dtype=np.int32)
    wanted = 0.433 * edge * edge
    banned = {(min(i, j), max(i, j)) for i, j in taken or []}
    for _ in range(12):
        p = points[tris]
        area = 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
        large = area > 2.2 * wanted
        if large.any():
            a, b, c = tris[large].T
            d = len(points) + np.arange(len(a), dtype=np.int32)
            split = [np.column_stack(corners) for corners in ((a, b, d), (b, c, d), (c, a, d))]
            points = np.vstack((points, p[large].mean(axis=1)))
            tris = np.concatenate((tris[~large], *split))
        tris = _flip(points, tris, banned)
        if not large.any() or len(points) > len(vertices) + 4000:
            break
    return points, tris


def _flip(points: NDArray[np.float64], tris: Faces, banned: set[tuple[int, int]]) -> Faces:
    """Flip inner edges towards larger opposite angles (Delaunay on the surface)."""
    tris = tris.copy()
    for _ in range(4):
        tail = tris.ravel().astype(np.int64)
        head = np.roll(tris, -1, axis=1).ravel().astype(np.int64)
        apex = np.roll(tris, 1, axis=1).ravel().astype(np.int64)
        keys = tail * len(points) + head
        order = np.argsort(keys, kind="stable")
        back = head * len(points) + tail
        at = np.minimum(np.searchsorted(keys[order], back), len(order) - 1)
        other = order[at]
        inner = np.flatnonzero((tail < head) & (keys[other] == back))
        i, j, k, m = tail[inner], head[inner], apex[inner], apex[other[inner]]
        total = _angles(points, i, j, k) + _angles(points, i, j, m)
        # A flip may not turn either face over.
        before, one, two = (
            np.cross(points[y] - points[x], points[z] - points[x])
            for x, y, z in ((i, j, k), (k, m, j), (k, i, m))
        )
        upright = ((one * before).sum(axis=1) > 0) & ((two * before).sum(axis=1) > 0)
        wide = inner[(total > np.pi + 1e-6) & (k != m) & upright]
        edges = set(keys.tolist())
        touched: set[int] = set()
        flips = 0
        for h in wide.tolist():
            t, u = h // 3, int(other[h]) // 3
            if t in touched or u in touched:
                continue
            a, b, c, d = int(tail[h]), int(head[h]), int(apex[h]), int(apex[other[h]])
            joined = c * len(points) + d in edges or d * len(points) + c in edges
            if joined or (min(c, d), max(c, d)) in banned:
                continue
            tris[t], tris[u] = (c, d, b), (d, c, a)
            touched |= {t, u}
            flips += 1
        if not flips:
            break
    return tris


def _angles(
    points: NDArray[np.float64],
    a: NDArray[np.int64],
    b: NDArray[np.int64],
    apex: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Angles at ``apex`` towards ``a`` and ``b``, radians."""
    u, v = points[a] - points[apex], points[b] - points[apex]
    size = np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1) + 1e-300
    return np.asarray(np.arccos(np.clip((u * v).sum(axis=1) / size, -1.0, 1.0)))


def _laplacian(faces: Faces, n: int) -> csr_matrix:
    i = np.concatenate((faces[:, 0], faces[:, 1], faces[:, 2]))
    j = np.concatenate((faces[:, 1], faces[:, 2], faces[:, 0]))
    adjacency = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n))
    adjacency = ((adjacency + adjacency.T) > 0).astype(np.float64)
    degree = np.asarray(adjacency.sum(axis=1)).ravel()
    scale = coo_matrix((1.0 / np.maximum(degree, 1.0), (np.arange(n), np.arange(n))), shape=(n, n))
    identity = coo_matrix((np.ones(n), (np.arange(n), np.arange(n))), shape=(n, n))
    return (identity - scale @ adjacency).tocsr()


def smooth_patch(
    vertices: NDArray[np.float64], faces: Faces, free: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Move the free vertices so that the patch continues its surroundings smoothly.

    Least squared umbrella Laplacian over the free vertices and their rim
    (Kobbelt et al. 1998); all other vertices stay.

    Parameters
    ----------
    vertices : (n, 3)
    faces : (m, 3)
        The patch and at least one ring of the surface around it.
    free : (n,) bool
    """
    if not free.any():
        return vertices
    laplacian = _laplacian(faces, len(vertices))
    near = np.zeros(len(vertices), dtype=bool)
    near[faces[free[faces].any(axis=1)].ravel()] = True
    rows = laplacian[np.flatnonzero(near)]
    moving = rows[:, np.flatnonzero(free)]
    fixed = rows[:, np.flatnonzero(~free)] @ vertices[~free]
    normal = (moving.T @ moving).tocsc()
    out = vertices.copy()
    out[free] = splu(normal).solve(-np.asarray(moving.T @ fixed))
    return out


def patch_loop(
    vertices: NDArray[np.float64],
    faces: Faces,
    line: NDArray[np.int64],
    edge: float,
    smooth: bool = True,
) -> tuple[NDArray[np.float64], Faces]:
    """Close a hole with a patch that continues the surface around it.

    Parameters
    ----------
    vertices : (n, 3) float64, mm
    faces : (m, 3) int32
        The surface, or its part around the hole.
    line : (k,) int64
        The hole's border, the surface on its left.
    edge : float
        Edge length wanted, mm.
    smooth : bool
        Bend the patch to continue its surroundings; else it is spanned straight.

    Returns
    -------
    vertices
        The given ones, and the patch's own after them.
    faces : (p, 3) int32
        The patch.
    """
    backwards = line[::-1]
    rim = vertices[backwards]
    taken = joined_pairs(faces, backwards)
    local = fill_loop(rim, taken=taken)
    if len(line) < 5 or not smooth:
        return vertices, backwards[local].astype(np.int32)
    perimeter = float(np.linalg.norm(np.roll(rim, -1, axis=0) - rim, axis=1).sum())
    patch_v, patch_f = refine_patch(rim, local, max(edge, perimeter / 120.0), taken)
    made = len(patch_v) - len(line)
    index = np.concatenate((backwards, len(vertices) + np.arange(made)))
    patch = index[patch_f].astype(np.int32)
    if not made:
        return vertices, patch
    grown = np.vstack((vertices, patch_v[len(line) :]))
    seed = np.zeros(len(grown), dtype=bool)
    seed[line] = True
    around = faces[rings_around(faces, seed, 2)]
    local_v, local_f, old = compact(grown, np.concatenate((around, patch)))
    free = old >= len(vertices)
    grown[old[free]] = smooth_patch(local_v, local_f, free)[free]
    return grown, patch


def patch_loops(
    vertices: NDArray[np.float64],
    faces: Faces,
    lines: list[NDArray[np.int64]],
    edge: float,
    smooth: bool = True,
) -> tuple[NDArray[np.float64], list[Faces]]:
    """Close several holes; see :func:`patch_loop`.

    Returns
    -------
    points : (k, 3) float64
        The patches' own points; they follow ``vertices``.
    patches : list of (p, 3) int32
        One for each line, as indices into vertices and points.
    """
    count = len(vertices)
    seed = np.zeros(count, dtype=bool)
    for line in lines:
        seed[line] = True
    around = faces[rings_around(faces, seed, 3)]
    seed[around.ravel()] = True
    # Patches need to know no more than what is around them.
    old = np.flatnonzero(seed)
    new = np.empty(count, dtype=np.int32)
    new[old] = np.arange(len(old), dtype=np.int32)
    local, near = vertices[old], new[around]
    patches = []
    for line in lines:
        local, made = patch_loop(local, near, new[line].astype(np.int64), edge, smooth)
        patches.append(made)
    back = np.concatenate((old, count + np.arange(len(local) - len(old)))).astype(np.int32)
    return local[len(old) :], [back[made] for made in patches]


@njit(cache=True, nogil=True)
def _spread(faces: Faces, reached: NDArray[np.bool_], rings: int) -> NDArray[np.bool_]:
    hit = np.zeros(len(faces), dtype=np.bool_)
    for _ in range(rings + 1):
        for f in range(len(faces)):
            hit[f] = reached[faces[f, 0]] or reached[faces[f, 1]] or reached[faces[f, 2]]
        for f in range(len(faces)):
            if hit[f]:
                for k in range(3):
                    reached[faces[f, k]] = True
    return hit


def rings_around(faces: Faces, seed: NDArray[np.bool_], rings: int) -> NDArray[np.bool_]:
    """Mark the faces within some rings of the seed vertices."""
    return _spread(faces, seed.copy(), rings)


@njit(cache=True, nogil=True)
def _edge_lengths(vertices: NDArray[np.float64], faces: Faces, every: int) -> NDArray[np.float64]:
    out = np.empty(3 * ((len(faces) + every - 1) // every))
    count = 0
    for f in range(0, len(faces), every):
        for k in range(3):
            p, q = vertices[faces[f, k]], vertices[faces[f, (k + 1) % 3]]
            x, y, z = q[0] - p[0], q[1] - p[1], q[2] - p[2]
            out[count] = np.sqrt(x * x + y * y + z * z)
            count += 1
    return out


def median_edge(vertices: NDArray[np.float64], faces: Faces) -> float:
    """Median edge length of a surface, mm, from a sample of its faces."""
    return float(np.median(_edge_lengths(vertices, faces, max(1, len(faces) // 10000))))

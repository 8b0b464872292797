"""Fill closed loops of a surface with triangles, and smooth what was filled."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix, csr_matrix
from scipy.sparse.linalg import splu

from geometry.model.surface.halfedges import Faces, compact, corners_at, face_areas

LONGEST_EXACT = 220
RINGS = 2
"""So much of the surface around it a patch continues."""
DENSE = 200
"""Small patches are smoothed by a plain matrix, of at most so many rows."""


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
    pairs = np.sort(np.array(taken or [], dtype=np.int64).reshape(-1, 2), axis=1)
    for _ in range(12):
        large = face_areas(points, tris) > 2.2 * wanted
        if large.any():
            a, b, c = tris[large].T
            d = len(points) + np.arange(len(a), dtype=np.int32)
            split = [np.column_stack(corners) for corners in ((a, b, d), (b, c, d), (c, a, d))]
            points = np.vstack((points, points[tris[large]].mean(axis=1)))
            tris = np.concatenate((tris[~large], *split))
        tris = _flip(points, tris, np.sort(pairs[:, 0] * len(points) + pairs[:, 1]))
        if not large.any() or len(points) > len(vertices) + 4000:
            break
    return points, tris


@njit(cache=True, nogil=True)
def _angle(p: NDArray[np.float64], a: int, b: int, apex: int) -> float:
    """Angle at ``apex`` towards ``a`` and ``b``, radians."""
    u, v = p[a] - p[apex], p[b] - p[apex]
    size = np.sqrt((u * u).sum()) * np.sqrt((v * v).sum()) + 1e-300
    return float(np.arccos(min(max((u * v).sum() / size, -1.0), 1.0)))


@njit(cache=True, nogil=True)
def _turns_over(p: NDArray[np.float64], i: int, j: int, k: int, m: int) -> bool:
    """Tell whether flipping edge i–j between k and m would turn a face over."""
    before = np.cross(p[j] - p[i], p[k] - p[i])
    one = np.cross(p[m] - p[k], p[j] - p[k])
    two = np.cross(p[i] - p[k], p[m] - p[k])
    return bool((one * before).sum() <= 0.0 or (two * before).sum() <= 0.0)


@njit(cache=True, nogil=True)
def _flip(
    points: NDArray[np.float64], tris: Faces, banned: NDArray[np.int64], rounds: int = 4
) -> Faces:
    """Flip inner edges towards larger opposite angles (Delaunay on the surface).

    ``banned`` holds the edges that may not be made, as lower · n + higher index, in order.
    """
    tris = tris.copy()
    n, count = len(points), 3 * len(tris)
    keys = np.empty(count, dtype=np.int64)
    for _ in range(rounds):
        for h in range(count):
            keys[h] = tris[h // 3, h % 3] * np.int64(n) + tris[h // 3, (h % 3 + 1) % 3]
        order = np.argsort(keys, kind="mergesort")
        ranked = keys[order]
        taken = np.zeros(len(tris), dtype=np.bool_)
        old = tris.copy()
        flips = 0
        for h in range(count):
            t = h // 3
            a, b, c = old[t, h % 3], old[t, (h % 3 + 1) % 3], old[t, (h % 3 + 2) % 3]
            back = b * np.int64(n) + a
            at = np.searchsorted(ranked, back)
            if a >= b or at == count or ranked[at] != back:
                continue
            g = order[at]
            u = g // 3
            d = old[u, (g % 3 + 2) % 3]
            if taken[t] or taken[u] or c == d:
                continue
            if _angle(points, a, b, c) + _angle(points, a, b, d) <= np.pi + 1e-6:
                continue
            if _turns_over(points, a, b, c, d):
                continue
            made = min(c, d) * np.int64(n) + max(c, d), max(c, d) * np.int64(n) + min(c, d)
            there = False
            for key in made:
                at = np.searchsorted(ranked, key)
                there |= at < count and ranked[at] == key
            at = np.searchsorted(banned, made[0])
            if there or (at < len(banned) and banned[at] == made[0]):
                continue
            tris[t, 0], tris[t, 1], tris[t, 2] = c, d, b
            tris[u, 0], tris[u, 1], tris[u, 2] = d, c, a
            taken[t] = taken[u] = True
            flips += 1
        if not flips:
            break
    return tris


def _laplacian(faces: Faces, n: int) -> csr_matrix:
    i = np.concatenate((faces[:, 0], faces[:, 1], faces[:, 2]))
    j = np.concatenate((faces[:, 1], faces[:, 2], faces[:, 0]))
    adjacency = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n))
    adjacency = ((adjacency + adjacency.T) > 0).astype(np.float64)
    degree = np.asarray(adjacency.sum(axis=1)).ravel()
    scale = coo_matrix((1.0 / np.maximum(degree, 1.0), (np.arange(n), np.arange(n))), shape=(n, n))
    identity = coo_matrix((np.ones(n), (np.arange(n), np.arange(n))), shape=(n, n))
    return (identity - scale @ adjacency).tocsr()


@njit(cache=True, nogil=True)
def _dense_laplacian(faces: Faces, n: int) -> NDArray[np.float64]:
    """Return what :func:`_laplacian` does, as a plain matrix."""
    out = np.zeros((n, n))
    for f in range(len(faces)):
        for k in range(3):
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            out[a, b] = out[b, a] = -1.0
    for v in range(n):
        out[v] /= max(-out[v].sum(), 1.0)
        out[v, v] = 1.0
    return out


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
    few = len(vertices) <= DENSE
    laplacian = (_dense_laplacian if few else _laplacian)(faces, len(vertices))
    near = np.zeros(len(vertices), dtype=bool)
    near[faces[free[faces].any(axis=1)].ravel()] = True
    rows = laplacian[np.flatnonzero(near)]
    moving = rows[:, np.flatnonzero(free)]
    fixed = rows[:, np.flatnonzero(~free)] @ vertices[~free]
    normal, wanted = moving.T @ moving, -np.asarray(moving.T @ fixed)
    out = vertices.copy()
    out[free] = np.linalg.solve(normal, wanted) if few else splu(csc_matrix(normal)).solve(wanted)
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
    steps = rim - rim[np.arange(-1, len(rim) - 1)]
    perimeter = float(np.sqrt((steps * steps).sum(axis=1)).sum())
    patch_v, patch_f = refine_patch(rim, local, max(edge, perimeter / 120.0), taken)
    made = len(patch_v) - len(line)
    index = np.concatenate((backwards, len(vertices) + np.arange(made)))
    patch = index[patch_f].astype(np.int32)
    if not made:
        return vertices, patch
    grown = np.vstack((vertices, patch_v[len(line) :]))
    seed = np.zeros(len(grown), dtype=bool)
    seed[line] = True
    around = faces[rings_around(faces, seed, RINGS)]
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
    around = faces[rings_around(faces, seed, RINGS)]
    seed[around.ravel()] = True
    # Patches need to know no more than what is around them.
    old = np.flatnonzero(seed)
    new = np.empty(count, dtype=np.int32)
    new[old] = np.arange(len(old), dtype=np.int32)
    local, near = vertices[old], new[around]
    start, member = corners_at(near, len(local))
    seen = np.full(len(near) + len(local), -1, dtype=np.int32)
    points: list[NDArray[np.float64]] = []
    patches = []
    for number, line in enumerate(lines):
        ring = new[line].astype(np.int64)
        mine = near[np.sort(_faces_around(near, start, member, ring, seen, number))]
        own, place = np.unique(np.concatenate((ring, mine.ravel())), return_inverse=True)
        corners = place[len(ring) :].reshape(-1, 3).astype(np.int32)
        grown, made = patch_loop(local[own], corners, place[: len(ring)], edge, smooth)
        fresh = count + np.arange(len(grown) - len(own))
        count += len(fresh)
        points.append(grown[len(own) :])
        patches.append(np.concatenate((old[own], fresh)).astype(np.int32)[made])
    return np.concatenate([np.empty((0, 3)), *points]), patches


@njit(cache=True, nogil=True)
def _faces_around(
    faces: Faces,
    start: NDArray[np.int64],
    member: NDArray[np.int32],
    line: NDArray[np.int64],
    seen: NDArray[np.int32],
    number: int,
) -> NDArray[np.int64]:
    """Return the faces within ``RINGS`` rings of a line of vertices, in no order.

    ``seen`` has a place for each face and each vertex; what is found is marked by ``number``.
    """
    found = np.empty(64, dtype=np.int64)
    count, first = 0, 0
    front = line
    for _ in range(RINGS + 1):
        for v in front:
            seen[len(faces) + v] = number
            for c in range(start[v], start[v + 1]):
                f = member[c] // 3
                if seen[f] != number:
                    seen[f] = number
                    if count == len(found):
                        more = np.empty(2 * count, dtype=np.int64)
                        more[:count] = found
                        found = more
                    found[count] = f
                    count += 1
        front = np.empty(3 * (count - first), dtype=np.int64)
        reached = 0
        for n in range(first, count):
            for k in range(3):
                v = faces[found[n], k]
                if seen[len(faces) + v] != number:
                    seen[len(faces) + v] = number
                    front[reached] = v
                    reached += 1
        front = front[:reached]
        first = count
    return found[:count]


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
    """Median edge length of a surface, mm, from a sample of its faces; NaN without any."""
    if not len(faces):
        return float("nan")
    return float(np.median(_edge_lengths(vertices, faces, max(1, len(faces) // 10000))))

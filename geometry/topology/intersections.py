"""Triangles of one mesh that pass through each other."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh

# Beyond these the file is no surface but a tangle, and counting would take minutes.
_MOST_TESTS_EACH = 4000
_MOST_CELLS_EACH = 64
_MOST_PAIRS_KEPT = 1000


@njit(cache=True, nogil=True)
def _boxes(vertices, faces, low, high):  # type: ignore[no-untyped-def]
    """Fill the bounding boxes; return the mean of their largest sides."""
    total = 0.0
    for t in range(faces.shape[0]):
        side = 0.0
        for axis in range(3):
            a = vertices[faces[t, 0], axis]
            b = vertices[faces[t, 1], axis]
            c = vertices[faces[t, 2], axis]
            lower = min(a, b, c)
            upper = max(a, b, c)
            low[t, axis] = lower
            high[t, axis] = upper
            side = max(side, upper - lower)
        total += side
    return total / faces.shape[0]


@njit(cache=True, nogil=True)
def _cell(value, origin, scale, size):  # type: ignore[no-untyped-def]
    return min(max(np.int64((value - origin) * scale), 0), size - 1)


@njit(cache=True, nogil=True)
def _side(vertices, i, j, k, p):  # type: ignore[no-untyped-def]
    """Six times the signed volume of the tetrahedron i, j, k, p."""
    ax = vertices[i, 0] - vertices[p, 0]
    ay = vertices[i, 1] - vertices[p, 1]
    az = vertices[i, 2] - vertices[p, 2]
    bx = vertices[j, 0] - vertices[p, 0]
    by = vertices[j, 1] - vertices[p, 1]
    bz = vertices[j, 2] - vertices[p, 2]
    cx = vertices[k, 0] - vertices[p, 0]
    cy = vertices[k, 1] - vertices[p, 1]
    cz = vertices[k, 2] - vertices[p, 2]
    return ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)


@njit(cache=True, nogil=True)
def _edge_meets(vertices, p, q, i, j, k):  # type: ignore[no-untyped-def]
    """Tell whether segment p-q, already known to cross the plane, meets the triangle."""
    a = _side(vertices, p, q, i, j)
    b = _side(vertices, p, q, j, k)
    c = _side(vertices, p, q, k, i)
    return (a >= 0.0 and b >= 0.0 and c >= 0.0) or (a <= 0.0 and b <= 0.0 and c <= 0.0)


@njit(cache=True, nogil=True)
def triangles_cross(vertices, faces, s, t):  # type: ignore[no-untyped-def]
    """Tell whether an edge of one triangle passes through the other.

    The ends of the edge must lie strictly on either side of the other's plane, so
    touching and lying in one plane do not count.
    """
    i, j, k = faces[s, 0], faces[s, 1], faces[s, 2]
    p, q, r = faces[t, 0], faces[t, 1], faces[t, 2]
    sp = _side(vertices, i, j, k, p)
    sq = _side(vertices, i, j, k, q)
    sr = _side(vertices, i, j, k, r)
    if (sp >= 0.0 and sq >= 0.0 and sr >= 0.0) or (sp <= 0.0 and sq <= 0.0 and sr <= 0.0):
        return False
    ti = _side(vertices, p, q, r, i)
    tj = _side(vertices, p, q, r, j)
    tk = _side(vertices, p, q, r, k)
    if (ti >= 0.0 and tj >= 0.0 and tk >= 0.0) or (ti <= 0.0 and tj <= 0.0 and tk <= 0.0):
        return False
    return (
        (sp * sq < 0.0 and _edge_meets(vertices, p, q, i, j, k))
        or (sq * sr < 0.0 and _edge_meets(vertices, q, r, i, j, k))
        or (sr * sp < 0.0 and _edge_meets(vertices, r, p, i, j, k))
        or (ti * tj < 0.0 and _edge_meets(vertices, i, j, p, q, r))
        or (tj * tk < 0.0 and _edge_meets(vertices, j, k, p, q, r))
        or (tk * ti < 0.0 and _edge_meets(vertices, k, i, p, q, r))
    )


@njit(cache=True, nogil=True)
def _search(vertices, faces, low, high, origin, scale, sizes, most_refs, most_tests, pairs):  # type: ignore[no-untyped-def]
    """Count crossing pairs over a uniform grid; -1 when the work would be too much."""
    count = faces.shape[0]
    nx, ny, nz = sizes
    start = np.zeros(nx * ny * nz + 1, dtype=np.int32)
    first = np.empty((count, 3), dtype=np.int32)
    last = np.empty((count, 3), dtype=np.int32)
    refs = np.int64(0)
    for t in range(count):
        for axis in range(3):
            first[t, axis] = _cell(low[t, axis], origin[axis], scale, sizes[axis])
            last[t, axis] = _cell(high[t, axis], origin[axis], scale, sizes[axis])
        refs += (
            np.int64(last[t, 0] - first[t, 0] + 1)
            * (last[t, 1] - first[t, 1] + 1)
            * (last[t, 2] - first[t, 2] + 1)
        )
        if refs > most_refs:
            return -1
        for x in range(first[t, 0], last[t, 0] + 1):
            for y in range(first[t, 1], last[t, 1] + 1):
                for z in range(first[t, 2], last[t, 2] + 1):
                    start[(x * ny + y) * nz + z + 1] += 1
    for c in range(start.size - 1):
        start[c + 1] += start[c]
    member = np.empty(refs, dtype=np.int32)
    cursor = start[:-1].copy()
    for t in range(count):
        for x in range(first[t, 0], last[t, 0] + 1):
            for y in range(first[t, 1], last[t, 1] + 1):
                for z in range(first[t, 2], last[t, 2] + 1):
                    c = (x * ny + y) * nz + z
                    member[cursor[c]] = t
                    cursor[c] += 1
    found = 0
    tests = np.int64(0)
    for x in range(nx):
        for y in range(ny):
            for z in range(nz):
                c = (x * ny + y) * nz + z
                begin, end = start[c], start[c + 1]
                tests += np.int64(end - begin) * (end - begin) // 2
                if tests > most_tests:
                    return -1
                for e in range(begin, end):
                    s = member[e]
                    i, j, k = faces[s, 0], faces[s, 1], faces[s, 2]
                    lx, ly, lz = low[s, 0], low[s, 1], low[s, 2]
                    hx, hy, hz = high[s, 0], high[s, 1], high[s, 2]
                    for f in range(e + 1, end):
                        t = member[f]
                        if (
                            low[t, 0] > hx
                            or high[t, 0] < lx
                            or low[t, 1] > hy
                            or high[t, 1] < ly
                            or low[t, 2] > hz
                            or high[t, 2] < lz
                        ):
                            continue
                        p, q, r = faces[t, 0], faces[t, 1], faces[t, 2]
                        if (
                            i == p or i == q or i == r
                            or j == p or j == q or j == r
                            or k == p or k == q or k == r
                        ):  # fmt: skip
                            continue
                        # Each pair is judged once, in the first cell that both touch.
                        if (
                            max(first[s, 0], first[t, 0]) != x
                            or max(first[s, 1], first[t, 1]) != y
                            or max(first[s, 2], first[t, 2]) != z
                        ):
                            continue
                        if triangles_cross(vertices, faces, s, t):
                            if found < pairs.shape[0]:
                                pairs[found, 0] = min(s, t)
                                pairs[found, 1] = max(s, t)
                            found += 1
    return found


def find_intersections(mesh: Mesh) -> tuple[int | None, NDArray[np.int32]]:
    """Count the pairs of triangles that pass through each other.

    Pairs with a common vertex, pairs that only touch and pairs in one plane do not
    count.

    Returns
    -------
    count : int or None
        None when the file is so tangled that counting was given up.
    pairs : (k, 2) int32
        Up to 1000 of them.
    """
    # Moving to the middle keeps the differences exact far from the origin too.
    centre = (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2.0
    vertices = mesh.vertices - centre
    faces = mesh.faces
    low = np.empty((len(faces), 3))
    high = np.empty((len(faces), 3))
    mean = _boxes(vertices, faces, low, high)
    origin = vertices.min(axis=0)
    span = vertices.max(axis=0) - origin
    cell = 1.2 * mean
    while np.prod(np.floor(span / cell) + 1.0) > 8.0 * len(faces) + 1000.0:
        cell *= 1.3
    sizes = (np.floor(span / cell) + 1.0).astype(np.int64)
    pairs = np.empty((_MOST_PAIRS_KEPT, 2), dtype=np.int32)
    found = int(
        _search(
            vertices, faces, low, high, origin, 1.0 / cell,
            (int(sizes[0]), int(sizes[1]), int(sizes[2])),
            _MOST_CELLS_EACH * len(faces) + 100_000, _MOST_TESTS_EACH * len(faces), pairs,
        )
    )  # fmt: skip
    if found < 0:
        return None, pairs[:0]
    return found, pairs[: min(found, _MOST_PAIRS_KEPT)]

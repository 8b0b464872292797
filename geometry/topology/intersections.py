"""Triangles of one mesh that pass through each other."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.topology.adjacency import extent
from geometry.topology.triangles import cross_of

# Beyond these the file is no surface but a tangle, and counting would take minutes.
_MOST_TESTS_EACH = 4000
_MOST_CELLS_EACH = 64
_MOST_PAIRS_KEPT = 20_000
# From so many triangles on the cells are searched in two parts side by side.
_WORTH_TWO_THREADS = 50_000


@njit(cache=True, nogil=True)
def _boxes(vertices, faces, pad, low, high):  # type: ignore[no-untyped-def]
    """Fill the bounding boxes, wider by ``pad``; return the mean of their largest sides."""
    total = 0.0
    for t in range(faces.shape[0]):
        side = 0.0
        for axis in range(3):
            a = vertices[faces[t, 0], axis]
            b = vertices[faces[t, 1], axis]
            c = vertices[faces[t, 2], axis]
            lower = min(a, b, c)
            upper = max(a, b, c)
            low[t, axis] = lower - pad
            high[t, axis] = upper + pad
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
    """Tell whether two triangles pass through each other.

    Each must have corners strictly on either side of the other's plane, so touching
    and lying in one plane do not count.
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
def _clearly_beside(vertices, nx, ny, nz, base, scale, p, q, r):  # type: ignore[no-untyped-def]
    """Tell quickly whether p, q and r surely lie on one side of a plane.

    ``scale`` bounds the coordinates, for what rounding can do to the sums.
    """
    a = nx * vertices[p, 0] + ny * vertices[p, 1] + nz * vertices[p, 2] - base
    b = nx * vertices[q, 0] + ny * vertices[q, 1] + nz * vertices[q, 2] - base
    c = nx * vertices[r, 0] + ny * vertices[r, 1] + nz * vertices[r, 2] - base
    doubt = 1e-12 * (abs(nx) + abs(ny) + abs(nz)) * scale
    return ((a > doubt) & (b > doubt) & (c > doubt)) | ((a < -doubt) & (b < -doubt) & (c < -doubt))


@njit(cache=True, nogil=True)
def _grid(low, high, origin, inverse, sizes, most_refs):  # type: ignore[no-untyped-def]
    """Sort the boxes into a uniform grid.

    Returns
    -------
    start : (cells + 1,) int32
    member : (start[cells],) int32
        ``member[start[c]:start[c + 1]]`` are the boxes that touch cell ``c``.
    first : (n, 3) int32
        Lowest cell of each box along every axis.
    tests : int
        Pairs within cells; -1 when the boxes touch more than ``most_refs`` cells in all.
    middle : int
        Cell up to which half of the pairs lie.
    """
    count = low.shape[0]
    columns, rows, layers = sizes
    start = np.zeros(columns * rows * layers + 1, dtype=np.int32)
    first = np.empty((count, 3), dtype=np.int32)
    last = np.empty((count, 3), dtype=np.int32)
    refs = np.int64(0)
    for t in range(count):
        for axis in range(3):
            first[t, axis] = _cell(low[t, axis], origin[axis], inverse, sizes[axis])
            last[t, axis] = _cell(high[t, axis], origin[axis], inverse, sizes[axis])
        refs += (
            np.int64(last[t, 0] - first[t, 0] + 1)
            * (last[t, 1] - first[t, 1] + 1)
            * (last[t, 2] - first[t, 2] + 1)
        )
        if refs > most_refs:
            return start, np.empty(0, dtype=np.int32), first, np.int64(-1), 0
        for x in range(first[t, 0], last[t, 0] + 1):
            for y in range(first[t, 1], last[t, 1] + 1):
                for z in range(first[t, 2], last[t, 2] + 1):
                    start[(x * rows + y) * layers + z + 1] += 1
    tests = np.int64(0)
    for c in range(start.size - 1):
        tests += np.int64(start[c + 1]) * start[c + 1] // 2
        start[c + 1] += start[c]
    member = np.empty(refs, dtype=np.int32)
    cursor = start[:-1].copy()
    for t in range(count):
        for x in range(first[t, 0], last[t, 0] + 1):
            for y in range(first[t, 1], last[t, 1] + 1):
                for z in range(first[t, 2], last[t, 2] + 1):
                    c = (x * rows + y) * layers + z
                    member[cursor[c]] = t
                    cursor[c] += 1
    before = np.int64(0)
    middle = 0
    while middle < start.size - 1 and before < tests // 2:
        size = np.int64(start[middle + 1] - start[middle])
        before += size * size // 2
        middle += 1
    return start, member, first, tests, middle


@njit(cache=True, nogil=True)
def _search(
    vertices, faces, own, low, high, sizes, start, member, first, begin_cell, end_cell, pairs
):  # type: ignore[no-untyped-def]
    """Count the crossing pairs of the cells from ``begin_cell`` to ``end_cell``.

    With an ``own`` mark for each triangle, pairs without one that is marked are not looked at.
    """
    _, rows, layers = sizes
    some = len(own) > 0
    scale = 12.0 * max(abs(vertices.min()), abs(vertices.max()))
    found = 0
    fullest = 1
    for c in range(begin_cell, end_cell):
        fullest = max(fullest, start[c + 1] - start[c])
    box = np.empty((6, fullest), dtype=np.float32)
    hit = np.empty(fullest, dtype=np.uint8)
    inside = np.empty(fullest, dtype=np.int32)
    # Each pair is judged once, in the first cell that both touch: there one of the two
    # begins along every axis.
    begins = np.empty(fullest, dtype=np.uint8)
    place = np.empty(3, dtype=np.int64)
    for c in range(begin_cell, end_cell):
        begin = start[c]
        size = start[c + 1] - begin
        if size < 2:
            continue
        # Marked ones come first: each pair that counts has its first triangle among them.
        marked = 0
        for e in range(size):
            if not some or own[member[begin + e]]:
                inside[marked] = member[begin + e]
                marked += 1
        if marked == 0:
            continue
        last = marked
        for e in range(size):
            if some and not own[member[begin + e]]:
                inside[last] = member[begin + e]
                last += 1
        place[0] = c // (rows * layers)
        place[1] = c // layers % rows
        place[2] = c % layers
        for e in range(size):
            s = inside[e]
            begins[e] = 0
            for axis in range(3):
                box[axis, e] = low[s, axis]
                box[3 + axis, e] = high[s, axis]
                if first[s, axis] == place[axis]:
                    begins[e] |= 1 << axis
        before = found
        for e in range(min(marked, size - 1)):
            s = inside[e]
            lx, ly, lz = box[0, e], box[1, e], box[2, e]
            hx, hy, hz = box[3, e], box[4, e], box[5, e]
            for f in range(e + 1, size):
                hit[f] = (
                    ((begins[e] | begins[f]) == 7)
                    & (box[0, f] <= hx)
                    & (box[3, f] >= lx)
                    & (box[1, f] <= hy)
                    & (box[4, f] >= ly)
                    & (box[2, f] <= hz)
                    & (box[5, f] >= lz)
                )
            i, j, k = faces[s, 0], faces[s, 1], faces[s, 2]
            nx, ny, nz = cross_of(vertices, i, j, k)
            base = nx * vertices[i, 0] + ny * vertices[i, 1] + nz * vertices[i, 2]
            for f in range(e + 1, size):
                if not hit[f]:
                    continue
                t = inside[f]
                p, q, r = faces[t, 0], faces[t, 1], faces[t, 2]
                if (
                    (i == p) | (i == q) | (i == r)
                    | (j == p) | (j == q) | (j == r)
                    | (k == p) | (k == q) | (k == r)
                ):  # fmt: skip
                    continue
                if _clearly_beside(vertices, nx, ny, nz, base, scale, p, q, r):
                    continue
                if triangles_cross(vertices, faces, s, t):
                    if found < pairs.shape[0]:
                        pairs[found, 0] = min(s, t)
                        pairs[found, 1] = max(s, t)
                    found += 1
        # In the order of the triangles, whichever are marked.
        for e in range(before + 1, min(found, pairs.shape[0])):
            s, t = pairs[e, 0], pairs[e, 1]
            f = e - 1
            while f >= before and (pairs[f, 0] > s or (pairs[f, 0] == s and pairs[f, 1] > t)):
                pairs[f + 1, 0], pairs[f + 1, 1] = pairs[f, 0], pairs[f, 1]
                f -= 1
            pairs[f + 1, 0], pairs[f + 1, 1] = s, t
    return found


def find_intersections(
    mesh: Mesh, own: NDArray[np.bool_] | None = None
) -> tuple[int | None, NDArray[np.int32]]:
    """Count the pairs of triangles that pass through each other.

    Pairs with a common vertex, pairs that only touch and pairs in one plane do not
    count.

    Parameters
    ----------
    mesh : Mesh
    own : (m,) bool, optional
        At least one triangle of a pair must be marked.

    Returns
    -------
    count : int or None
        None when the file is so tangled that counting was given up.
    pairs : (k, 2) int32
        Up to 20,000 of them.
    """
    # Moving to the middle keeps the differences exact far from the origin too.
    reach = extent(mesh.vertices)
    vertices = mesh.vertices - reach.mean(axis=0)
    faces = mesh.faces
    span = reach[1] - reach[0]
    origin = -span / 2.0
    # Boxes in float32, wider by more than its rounding: half the memory to go through.
    low = np.empty((len(faces), 3), dtype=np.float32)
    high = np.empty((len(faces), 3), dtype=np.float32)
    mean = _boxes(vertices, faces, 2e-7 * float(span.max()), low, high)
    if mean == 0.0:
        return 0, np.empty((0, 2), dtype=np.int32)  # every triangle is one point
    cell = 4.0 * mean
    while np.prod(np.floor(span / cell) + 1.0) > 8.0 * len(faces) + 1000.0:
        cell *= 1.3
    sizes = (np.floor(span / cell) + 1.0).astype(np.int64)
    shape = (int(sizes[0]), int(sizes[1]), int(sizes[2]))
    most = _MOST_CELLS_EACH * len(faces) + 100_000
    start, member, first, tests, middle = _grid(low, high, origin, 1.0 / cell, shape, most)
    if not 0 <= tests <= _MOST_TESTS_EACH * len(faces):
        return None, np.empty((0, 2), dtype=np.int32)
    marks = np.empty(0, dtype=np.uint8) if own is None else own.astype(np.uint8)
    cells = len(start) - 1
    parts = [(0, middle), (middle, cells)] if len(faces) >= _WORTH_TWO_THREADS else [(0, cells)]

    def search(begin: int, end: int) -> tuple[int, NDArray[np.int32]]:
        pairs = np.empty((_MOST_PAIRS_KEPT, 2), dtype=np.int32)
        found = int(
            _search(
                vertices, faces, marks, low, high, shape, start, member, first, begin, end, pairs
            )
        )
        return found, pairs[: min(found, _MOST_PAIRS_KEPT)]

    with ThreadPoolExecutor(max_workers=1) as beside:
        later = [beside.submit(search, *part) for part in parts[1:]]
        every = [search(*parts[0]), *(work.result() for work in later)]
    pairs = np.concatenate([kept for _, kept in every])[:_MOST_PAIRS_KEPT]
    return sum(found for found, _ in every), pairs


def apart(mesh: Mesh, pairs: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Tell which pairs of crossing triangles belong to sheets that lie over each other.

    Slivers that noise has turned over cross their own neighbours: an edge of the mesh
    links such a pair. Sheets of two scan passes are linked by no edge where they cross.

    Parameters
    ----------
    pairs : (k, 2) int32
        As `find_intersections` gives them.

    Returns
    -------
    (k,) bool
    """
    one, other = mesh.faces[pairs[:, 0]], mesh.faces[pairs[:, 1]]
    touched = np.zeros(len(mesh.vertices), dtype=np.bool_)
    touched[one] = touched[other] = True
    faces = mesh.faces[touched[mesh.faces].sum(axis=1) >= 2]
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    links = np.broadcast_arrays(one[:, :, None], other[:, None, :])
    return np.asarray(~np.isin(_key(mesh, *links), _key(mesh, *edges.T)).any(axis=(1, 2)))


def _key(mesh: Mesh, a: NDArray[np.int32], b: NDArray[np.int32]) -> NDArray[np.int64]:
    """One number for an edge, whichever way it runs."""
    return np.minimum(a, b).astype(np.int64) * len(mesh.vertices) + np.maximum(a, b)

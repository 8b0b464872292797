"""Horizontal depth of undercut surface, as a surveying gauge reads it."""

from __future__ import annotations

import numpy as np
from numba import njit

from geometry.topology.triangles import cross_of

# So far around a point every place is looked at one by one, cells; then by squares of cells.
_NEARBY = 7
_BLOCK = 8


@njit(cache=True, nogil=True)
def rings(reach):  # type: ignore[no-untyped-def]
    """Return lattice offsets within ``reach`` cells, nearest first, and their distances."""
    side = 2 * reach + 1
    di = np.empty(side * side, dtype=np.int32)
    dj = np.empty(side * side, dtype=np.int32)
    square = np.empty(side * side, dtype=np.int64)
    count = 0
    for i in range(-reach, reach + 1):
        for j in range(-reach, reach + 1):
            if i * i + j * j <= reach * reach:
                di[count] = i
                dj[count] = j
                square[count] = i * i + j * j
                count += 1
    order = np.argsort(square[:count], kind="mergesort")
    return di[order], dj[order], np.sqrt(square[:count][order].astype(np.float64))


@njit(cache=True, nogil=True)
def _lowest(top, reach):  # type: ignore[no-untyped-def]
    """Lowest height of each block of cells, -inf as far around the lattice as one looks."""
    columns, rows = top.shape
    rim = reach // _BLOCK + 2
    wide, deep = columns // _BLOCK + 1 + 2 * rim, rows // _BLOCK + 1 + 2 * rim
    lowest = np.full((wide, deep), -np.inf)
    # A block that the lattice's end cuts holds free places beyond it.
    for p in range(columns // _BLOCK):
        for q in range(rows // _BLOCK):
            block = top[p * _BLOCK : (p + 1) * _BLOCK, q * _BLOCK : (q + 1) * _BLOCK]
            lowest[p + rim, q + rim] = block.min()
    return lowest, rim


@njit(cache=True, nogil=True)
def _blocks_around(reach):  # type: ignore[no-untyped-def]
    """Offsets of the blocks within ``reach`` cells, nearest first, and how near a cell lies."""
    far = reach // _BLOCK + 1
    side = 2 * far + 1
    bi = np.empty(side * side, dtype=np.int32)
    bj = np.empty(side * side, dtype=np.int32)
    near = np.empty(side * side, dtype=np.float64)
    count = 0
    for i in range(-far, far + 1):
        for j in range(-far, far + 1):
            p = max(abs(i) * _BLOCK - _BLOCK + 1, 0)
            q = max(abs(j) * _BLOCK - _BLOCK + 1, 0)
            bi[count] = i
            bj[count] = j
            near[count] = np.sqrt(float(p * p + q * q))
            count += 1
    order = np.argsort(near, kind="mergesort")
    return bi[order], bj[order], near[order]


@njit(cache=True, nogil=True)
def vertex_depths(points, base, top, i0, j0, pitch, reach, depth):  # type: ignore[no-untyped-def]
    """Fill the horizontal distance from each point to where it could be drawn straight up.

    A place is free at a height when the highest surface over it lies below that
    height. The nearest free lattice point lies some way beyond the shadow line, a
    quarter of a cell on average, which is taken off. ``base`` holds the base plane's height under
    each point; points below it have no depth. The search ends ``reach`` cells away.
    """
    columns, rows = top.shape
    di, dj, distance = rings(min(reach, _NEARBY))
    lowest, rim = _lowest(top, reach)
    bi, bj, near = _blocks_around(reach)
    for v in range(points.shape[0]):
        depth[v] = 0.0
        z = points[v, 2]
        if z < base[v]:
            continue
        x = points[v, 0] / pitch - i0
        y = points[v, 1] / pitch - j0
        i = int(np.round(x))
        j = int(np.round(y))
        if i < 0 or j < 0 or i >= columns or j >= rows or top[i, j] <= z + 0.5 * pitch:
            continue
        best = reach + 1.0
        for k in range(di.size):
            if distance[k] > best + 0.75:
                break
            p = i + di[k]
            q = j + dj[k]
            if p < 0 or q < 0 or p >= columns or q >= rows or top[p, q] <= z:
                off = np.sqrt((p - x) ** 2 + (q - y) ** 2)
                if off < best:
                    best = off
        # Farther away whole blocks without a free place are passed over.
        if best > _NEARBY - 0.75:
            p0, q0 = i // _BLOCK, j // _BLOCK
            for k in range(bi.size):
                if near[k] > min(best + 0.75, reach):
                    break
                if lowest[p0 + bi[k] + rim, q0 + bj[k] + rim] > z:
                    continue
                for p in range((p0 + bi[k]) * _BLOCK, (p0 + bi[k] + 1) * _BLOCK):
                    for q in range((q0 + bj[k]) * _BLOCK, (q0 + bj[k] + 1) * _BLOCK):
                        if (p - i) ** 2 + (q - j) ** 2 > reach * reach:
                            continue
                        if p < 0 or q < 0 or p >= columns or q >= rows or top[p, q] <= z:
                            off = np.sqrt((p - x) ** 2 + (q - y) ** 2)
                            if off < best:
                                best = off
        found = min(best, float(reach)) - 0.25
        # Half a cell is what the lattice resolves; less is none.
        if found >= 0.5:
            depth[v] = found * pitch


@njit(cache=True, nogil=True)
def calm(values, faces, out):  # type: ignore[no-untyped-def]
    """Cap each vertex value at the largest of its neighbours', so lone spikes do not count."""
    out[:] = 0.0
    for t in range(faces.shape[0]):
        for k in range(3):
            a, b, c = faces[t, k], faces[t, (k + 1) % 3], faces[t, (k + 2) % 3]
            out[a] = max(out[a], values[b], values[c])
    for v in range(values.size):
        out[v] = min(out[v], values[v])


@njit(cache=True, nogil=True)
def band_areas(vertices, faces, depth, bands, label, areas):  # type: ignore[no-untyped-def]
    """Add to ``areas`` (labels, bands) the surface whose depth reaches each band.

    A triangle counts with the share of its corners that do; ``label`` is per vertex.
    """
    for t in range(faces.shape[0]):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        deepest = max(depth[i], depth[j], depth[k])
        if deepest < bands[0]:
            continue
        nx, ny, nz = cross_of(vertices, i, j, k)
        third = np.sqrt(nx * nx + ny * ny + nz * nz) / 6.0
        for v in (i, j, k):
            for b in range(bands.size):
                if depth[v] >= bands[b]:
                    areas[label[v], b] += third

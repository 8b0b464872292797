"""Which half-edges belong together.

Half-edge ``3 t + k`` runs from corner ``k`` of triangle ``t`` to the next corner.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from geometry.topology.triangles import cross_of

BORDER = -1
MANIFOLD_BROKEN = -2
SET_ASIDE = -3
_SMALL_BUCKET = 24


@njit(cache=True, nogil=True)
def find_degenerate(vertices, faces, relative, degenerate):  # type: ignore[no-untyped-def]
    """Mark triangles without area; return (all of them, those with equal corners).

    A triangle has no area when twice its area is at most ``relative`` times its
    longest side squared. ``degenerate`` becomes 2 where two corners are one vertex,
    else 1.
    """
    flat = 0
    collapsed = 0
    for t in range(faces.shape[0]):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        if i in (j, k) or j == k:
            degenerate[t] = 2
            collapsed += 1
            continue
        nx, ny, nz = cross_of(vertices, i, j, k)
        longest = 0.0
        for a, b in ((i, j), (j, k), (k, i)):
            side = 0.0
            for axis in range(3):
                side += (vertices[a, axis] - vertices[b, axis]) ** 2
            longest = max(longest, side)
        if nx * nx + ny * ny + nz * nz <= (relative * longest) ** 2:
            degenerate[t] = 1
            flat += 1
        else:
            degenerate[t] = 0
    return flat + collapsed, collapsed


@njit(cache=True, nogil=True)
def pair_half_edges(faces, vertex_count, aside, opposite, duplicate):  # type: ignore[no-untyped-def]
    """Pair the half-edges of every edge that has exactly two triangles.

    Parameters
    ----------
    faces : (m, 3) int32
    vertex_count : int
    aside : (m,) uint8
        Non-zero for triangles that take no part.
    opposite : (3 m,) int32, filled
        The other half-edge; ``BORDER``, ``MANIFOLD_BROKEN`` (more than two
        triangles) or ``SET_ASIDE``.
    duplicate : (m,) uint8, filled
        1 for each triangle that has the corners of an earlier one.

    Returns
    -------
    tuple of int
        Border edges, edges of more than two triangles, edges whose two triangles
        are wound against each other, duplicates.
    """
    count = faces.shape[0]
    start = np.zeros(vertex_count + 1, dtype=np.int32)
    for t in range(count):
        duplicate[t] = 0
        if aside[t]:
            for k in range(3):
                opposite[3 * t + k] = SET_ASIDE
            continue
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        start[min(i, j) + 1] += 1
        start[min(j, k) + 1] += 1
        start[min(k, i) + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    total = start[vertex_count]
    far = np.empty(total, dtype=np.int32)
    half = np.empty(total, dtype=np.int32)
    cursor = start[:-1].copy()
    for t in range(count):
        if aside[t]:
            continue
        for k in range(3):
            a = faces[t, k]
            b = faces[t, (k + 1) % 3]
            low = min(a, b)
            place = cursor[low]
            cursor[low] = place + 1
            far[place] = max(a, b)
            half[place] = 3 * t + k
    borders = 0
    broken = 0
    against = 0
    duplicates = 0
    for v in range(vertex_count):
        begin, end = start[v], start[v + 1]
        size = end - begin
        if size > _SMALL_BUCKET:
            order = np.argsort(far[begin:end], kind="mergesort")
            far[begin:end] = far[begin:end][order]
            half[begin:end] = half[begin:end][order]
        else:
            for i in range(begin + 1, end):
                f, h = far[i], half[i]
                j = i - 1
                while j >= begin and far[j] > f:
                    far[j + 1] = far[j]
                    half[j + 1] = half[j]
                    j -= 1
                far[j + 1] = f
                half[j + 1] = h
        i = begin
        while i < end:
            j = i + 1
            while j < end and far[j] == far[i]:
                j += 1
            if j - i == 1:
                opposite[half[i]] = BORDER
                borders += 1
            else:
                duplicates += _mark_duplicates(faces, half, i, j, duplicate)
                if j - i == 2:
                    g, h = half[i], half[i + 1]
                    opposite[g] = h
                    opposite[h] = g
                    if faces[g // 3, g % 3] == faces[h // 3, h % 3]:
                        against += 1
                else:
                    broken += 1
                    for e in range(i, j):
                        opposite[half[e]] = MANIFOLD_BROKEN
            i = j
    return borders, broken, against, duplicates


@njit(cache=True, nogil=True)
def _mark_duplicates(faces, half, begin, end, duplicate):  # type: ignore[no-untyped-def]
    """Mark triangles around one edge that have the same third corner as an earlier one."""
    found = 0
    if end - begin > 64:
        apexes = np.empty(end - begin, dtype=np.int32)
        for e in range(begin, end):
            apexes[e - begin] = faces[half[e] // 3, (half[e] % 3 + 2) % 3]
        order = np.argsort(apexes, kind="mergesort")
        for e in range(1, order.size):
            t = half[begin + order[e]] // 3
            if apexes[order[e]] == apexes[order[e - 1]] and duplicate[t] == 0:
                duplicate[t] = 1
                found += 1
        return found
    for e in range(begin + 1, end):
        t = half[e] // 3
        if duplicate[t]:
            continue
        apex = faces[t, (half[e] % 3 + 2) % 3]
        for f in range(begin, e):
            other = half[f] // 3
            if other != t and faces[other, (half[f] % 3 + 2) % 3] == apex:
                duplicate[t] = 1
                found += 1
                break
    return found

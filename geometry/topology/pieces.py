"""Connected pieces of a surface, their orientation, and their fans."""

from __future__ import annotations

import numpy as np
from numba import njit

from geometry.topology.edges import BORDER
from geometry.topology.triangles import cross_of


@njit(cache=True, nogil=True)
def _root(parent, item):  # type: ignore[no-untyped-def]
    while parent[item] != item:
        parent[item] = parent[parent[item]]
        item = parent[item]
    return item


@njit(cache=True, nogil=True)
def label_pieces(opposite, aside, label):  # type: ignore[no-untyped-def]
    """Number the pieces of triangles joined by paired half-edges; return how many.

    ``label`` (m,) int32 is filled; -1 for triangles set aside.
    """
    count = label.size
    queue = np.empty(count, dtype=np.int32)
    label[:] = -1
    pieces = 0
    for seed in range(count):
        if aside[seed] or label[seed] >= 0:
            continue
        label[seed] = pieces
        queue[0] = seed
        head, tail = 0, 1
        while head < tail:
            t = queue[head]
            head += 1
            for k in range(3):
                h = opposite[3 * t + k]
                if h >= 0:
                    other = h // 3
                    if label[other] < 0:
                        label[other] = pieces
                        queue[tail] = other
                        tail += 1
        pieces += 1
    return pieces


@njit(cache=True, nogil=True)
def piece_areas(vertices, faces, label, areas):  # type: ignore[no-untyped-def]
    """Add each triangle's area to its piece."""
    for t in range(faces.shape[0]):
        if label[t] < 0:
            continue
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        nx, ny, nz = cross_of(vertices, i, j, k)
        areas[label[t]] += 0.5 * np.sqrt(nx * nx + ny * ny + nz * nz)


@njit(cache=True, nogil=True)
def join_pieces(groups, labels, pieces):  # type: ignore[no-untyped-def]
    """Count the pieces left when all labels of one group become one piece.

    ``groups`` is sorted; ``labels`` runs beside it.
    """
    parent = np.arange(pieces, dtype=np.int32)
    left = pieces
    for k in range(1, groups.size):
        if groups[k] == groups[k - 1]:
            a = _root(parent, labels[k])
            b = _root(parent, labels[k - 1])
            if a != b:
                parent[a] = b
                left -= 1
    return left


@njit(cache=True, nogil=True)
def wind_alike(vertices, faces, opposite):  # type: ignore[no-untyped-def]
    """Turn triangles of one piece until neighbours are wound alike, in place.

    The winding that the larger area had is kept. Where no winding fits (a
    one-sided surface), the edge is cut open.
    """
    count = faces.shape[0]
    turned = np.full(count, 2, dtype=np.uint8)
    queue = np.empty(count, dtype=np.int32)
    turned[0] = 0
    head, tail = 0, 1
    while head < tail:
        t = queue[head] if head else 0
        head += 1
        for k in range(3):
            h = 3 * t + k
            g = opposite[h]
            if g < 0:
                continue
            other = g // 3
            alike = faces[t, k] != faces[other, g % 3]
            wanted = turned[t] if alike else 1 - turned[t]
            if turned[other] == 2:
                turned[other] = wanted
                queue[tail] = other
                tail += 1
            elif turned[other] != wanted:
                opposite[h] = BORDER
                opposite[g] = BORDER
    kept = 0.0
    for t in range(count):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        nx, ny, nz = cross_of(vertices, i, j, k)
        area = np.sqrt(nx * nx + ny * ny + nz * nz)
        kept += area if turned[t] == 0 else -area
    turn = 1 if kept >= 0.0 else 0
    # Swapping corners 1 and 2 exchanges half-edges 0 and 2 of the triangle.
    moved = opposite.copy()
    for t in range(count):
        if turned[t] == turn:
            faces[t, 1], faces[t, 2] = faces[t, 2], faces[t, 1]
    for h in range(3 * count):
        g = opposite[h]
        place = h
        if turned[h // 3] == turn:
            place = 3 * (h // 3) + 2 - h % 3
        if g >= 0 and turned[g // 3] == turn:
            g = 3 * (g // 3) + 2 - g % 3
        moved[place] = g
    opposite[:] = moved


@njit(cache=True, nogil=True)
def split_fans(faces, opposite, corner_vertex, origin, border_out):  # type: ignore[no-untyped-def]
    """Give every fan of triangles around a corner a vertex of its own.

    Two fans that touch in one point only (a bow-tie) become two vertices.

    Parameters
    ----------
    faces : (m, 3) int32
        Wound alike.
    opposite : (3 m,) int32
    corner_vertex : (3 m,) int32, filled
        New vertex of each corner.
    origin : (3 m,) int32, filled up to the count returned
        Old vertex of each new one.
    border_out : (3 m,) int32, filled up to the count returned
        The border half-edge that leaves the new vertex, or -1.

    Returns
    -------
    int
        Number of new vertices.
    """
    corner_vertex[:] = -1
    count = 0
    for corner in range(corner_vertex.size):
        if corner_vertex[corner] >= 0:
            continue
        origin[count] = faces[corner // 3, corner % 3]
        border_out[count] = -1
        h = corner
        while True:
            corner_vertex[h] = count
            g = opposite[h]
            if g < 0:
                border_out[count] = h
                break
            h = 3 * (g // 3) + (g % 3 + 1) % 3
            if h == corner:
                break
        if border_out[count] >= 0:
            h = corner
            while True:
                g = opposite[3 * (h // 3) + (h % 3 + 2) % 3]
                if g < 0:
                    break
                h = g
                corner_vertex[h] = count
        count += 1
    return count


@njit(cache=True, nogil=True)
def trace_loops(faces, border_out, vertex_count, loop_vertices, loop_start):  # type: ignore[no-untyped-def]
    """Follow the border half-edges; the surface lies on their left.

    ``loop_vertices`` receives the vertices of all loops in a row, ``loop_start``
    where each begins (one entry more than loops). Returns the number of loops.
    """
    seen = np.zeros(vertex_count, dtype=np.uint8)
    loops = 0
    filled = 0
    loop_start[0] = 0
    for first in range(vertex_count):
        if border_out[first] < 0 or seen[first]:
            continue
        v = first
        while not seen[v]:
            seen[v] = 1
            loop_vertices[filled] = v
            filled += 1
            h = border_out[v]
            v = faces[h // 3, (h % 3 + 1) % 3]
        loops += 1
        loop_start[loops] = filled
    return loops

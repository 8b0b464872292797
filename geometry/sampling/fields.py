"""Differences of a surface along its normals, by edge neighbours."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def offsets(vertices, normals, start, neighbour, out):  # type: ignore[no-untyped-def]
    """Fill each vertex's height over the mean of its neighbours, along its normal."""
    for v in range(vertices.shape[0]):
        begin, end = start[v], start[v + 1]
        x = y = z = 0.0
        for e in range(begin, end):
            w = neighbour[e]
            x += vertices[w, 0]
            y += vertices[w, 1]
            z += vertices[w, 2]
        count = max(end - begin, 1)
        out[v] = (
            (vertices[v, 0] - x / count) * normals[v, 0]
            + (vertices[v, 1] - y / count) * normals[v, 1]
            + (vertices[v, 2] - z / count) * normals[v, 2]
        )


@njit(cache=True, nogil=True)
def second_offsets(first, start, neighbour, out):  # type: ignore[no-untyped-def]
    """Fill the difference of ``first`` to its mean over the neighbours."""
    for v in range(first.size):
        begin, end = start[v], start[v + 1]
        total = 0.0
        for e in range(begin, end):
            total += first[neighbour[e]]
        out[v] = first[v] - total / max(end - begin, 1)


@njit(cache=True, nogil=True)
def smooth(points, start, neighbour, rounds):  # type: ignore[no-untyped-def]
    """Return points averaged with their neighbours, ``rounds`` times."""
    now = points.copy()
    after = np.empty_like(now)
    for _ in range(rounds):
        for v in range(now.shape[0]):
            begin, end = start[v], start[v + 1]
            for axis in range(now.shape[1]):
                total = now[v, axis]
                for e in range(begin, end):
                    total += now[neighbour[e], axis]
                after[v, axis] = total / (end - begin + 1)
        now, after = after, now
    return now


@njit(cache=True, nogil=True)
def mark_near_border(start, neighbour, border, rings, near):  # type: ignore[no-untyped-def]
    """Mark border vertices and ``rings`` rings around them in ``near``."""
    for v in border:
        near[v] = 1
    for _ in range(rings):
        before = near.copy()
        for v in range(near.size):
            if before[v]:
                for e in range(start[v], start[v + 1]):
                    near[neighbour[e]] = 1


@njit(cache=True, nogil=True)
def distances_to_mean(vertices, start, neighbour, means, out):  # type: ignore[no-untyped-def]
    """Fill the mean of each vertex's neighbours and the distance to it."""
    for v in range(vertices.shape[0]):
        begin, end = start[v], start[v + 1]
        square = 0.0
        for axis in range(3):
            total = 0.0
            for e in range(begin, end):
                total += vertices[neighbour[e], axis]
            means[v, axis] = total / max(end - begin, 1)
            square += (vertices[v, axis] - means[v, axis]) ** 2
        out[v] = np.sqrt(square)


@njit(cache=True, nogil=True)
def sharp_ones(vertices, start, neighbour, asked, least, sharp, high, apex, lowest):  # type: ignore[no-untyped-def]
    """Fill height and direction of those of the vertices asked about that stand out sharply.

    ``least`` is the height, mm, from which one does, ``sharp`` its height over its neighbours'
    median distance beside it; ``lowest`` tells how far below it the lowest neighbour lies, in
    heights. Where it does not, ``high`` is 0.
    """
    for k in range(asked.size):
        v = asked[k]
        begin, end = start[v], start[v + 1]
        # Near neighbours count most: where triangles are of uneven size the plain mean
        # lies far off though the surface is smooth.
        total = 0.0
        foot = np.zeros(3)
        for e in range(begin, end):
            square = 0.0
            for axis in range(3):
                square += (vertices[neighbour[e], axis] - vertices[v, axis]) ** 2
            weight = 1.0 / max(square, 1e-12)
            total += weight
            for axis in range(3):
                foot[axis] += weight * vertices[neighbour[e], axis]
        foot /= total
        out = vertices[v] - foot
        height = np.sqrt((out**2).sum())
        if height < least:
            continue
        out /= height
        beside = np.empty(end - begin)
        top, low = -np.inf, 0.0
        for e in range(begin, end):
            along = square = 0.0
            climb = 0.0
            for axis in range(3):
                off = vertices[neighbour[e], axis] - foot[axis]
                along += off * out[axis]
                square += off * off
                climb += (vertices[neighbour[e], axis] - vertices[v, axis]) * out[axis]
            beside[e - begin] = np.sqrt(max(square - along * along, 0.0))
            top = max(top, climb)
            low = max(low, -climb)
        # Beside long thin triangles even that lies off, but along the surface, which goes on there.
        if top <= 0.0 and height >= sharp * np.median(beside):
            high[k] = height
            apex[k] = out
            lowest[k] = low / height

"""Zero surface of a sampled field by marching cubes (Lorensen and Cline 1987).

The table is made here, not copied: on each side of a cube, corners inside that lie across
from each other are kept apart, always, so neighbouring cubes agree on every shared side and
the surface is a closed two-manifold whatever the field (the rule of Montani, Scateni and
Scopigno 1994). No triangle's inner edge lies in a side of its cube.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Corner c of a cube sits at (c & 1, c >> 1 & 1, c >> 2 & 1); edge 4·axis + n.
_CORNERS = [(c & 1, c >> 1 & 1, c >> 2 & 1) for c in range(8)]
_EDGES = [(c, c | 1 << axis) for axis in range(3) for c in range(8) if not c >> axis & 1]
# Crossings keep this share of an edge away from its ends, so no triangle collapses.
_NEAR = 0.02


def _segments(inside: int) -> list[tuple[int, int]]:
    """Return the pairs of edges that lines on the sides of a cube join."""
    out = []
    for axis in range(3):
        for side in (0, 1):
            on = [
                e
                for e, (a, b) in enumerate(_EDGES)
                if _CORNERS[a][axis] == side == _CORNERS[b][axis]
            ]
            crossed = [e for e in on if inside >> _EDGES[e][0] & 1 != inside >> _EDGES[e][1] & 1]
            if len(crossed) == 2:
                out.append((crossed[0], crossed[1]))
            elif crossed:
                # Two corners inside, across from each other: one line around each.
                for c in range(8):
                    mine = [e for e in crossed if c in _EDGES[e]]
                    if inside >> c & 1 and len(mine) == 2:
                        out.append((mine[0], mine[1]))
    return out


def _polygons(inside: int) -> list[list[int]]:
    """Return the closed lines on the sides of a cube, wound outwards."""
    beside: dict[int, list[int]] = {}
    for a, b in _segments(inside):
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    out, done = [], set()
    for first in sorted(beside):
        if first in done:
            continue
        line, at, before = [first], beside[first][0], first
        while at != first:
            line.append(at)
            one, two = beside[at]
            at, before = (two if one == before else one), at
        done.update(line)
        middle = np.array([np.mean([_CORNERS[c] for c in _EDGES[e]], axis=0) for e in line])
        kept = [_CORNERS[c] for e in line for c in _EDGES[e] if inside >> c & 1]
        normal = np.cross(middle - middle[0], np.roll(middle, -1, axis=0) - middle[0]).sum(axis=0)
        if normal @ (middle.mean(axis=0) - np.mean(kept, axis=0)) < 0:
            line.reverse()
        out.append(line)
    return out


def _beside(one: int, two: int) -> bool:
    """Tell whether two edges lie in one side of the cube."""
    corners = [_CORNERS[c] for c in (*_EDGES[one], *_EDGES[two])]
    return any(len({corner[axis] for corner in corners}) == 1 for axis in range(3))


def _triangles(line: list[int]) -> list[tuple[int, int, int]] | None:
    """Cut a polygon into triangles without an inner edge in a side of the cube."""
    if len(line) == 3:
        return [(line[0], line[1], line[2])]
    for k in range(1, len(line) - 1):
        parts = [part for part in (line[: k + 1], line[k:]) if len(part) > 2]
        inner = [(line[0], line[k])] if k > 1 else []
        inner += [(line[k], line[-1])] if k < len(line) - 2 else []
        if any(_beside(a, b) for a, b in inner):
            continue
        rest = [_triangles(part) for part in parts]
        made = [piece for piece in rest if piece is not None]
        if len(made) == len(rest):
            return [(line[0], line[k], line[-1]), *(t for piece in made for t in piece)]
    return None


def _table() -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """Return the triangles of edges for each of the 256 cases, and how many."""
    cases = []
    for inside in range(256):
        made: list[tuple[int, int, int]] = []
        for line in _polygons(inside):
            made += _triangles(line) or []
        cases.append(made)
    count = np.array([len(made) for made in cases], dtype=np.int8)
    rows = np.zeros((256, int(count.max()), 3), dtype=np.int8)
    for inside, made in enumerate(cases):
        rows[inside, : len(made)] = np.array(made, dtype=np.int8).reshape(-1, 3)
    return rows, count


_TRIANGLES, _COUNT = _table()
_TAIL = np.array([a for a, _ in _EDGES], dtype=np.int64)


@njit(cache=True, nogil=True)
def _march(
    field: NDArray[np.float32],
    triangles: NDArray[np.int8],
    count: NDArray[np.int8],
    tail: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    nx, ny, nz = field.shape
    busy = np.zeros((nx, ny), dtype=np.bool_)
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                if field[i, j, k] > 0.0:
                    busy[i, j] = True
                    break
    # An edge belongs to its lower lattice point and has one of three directions. Two slabs
    # of the lattice are enough to find an edge again.
    made = np.full((2, ny * nz, 3), -1, dtype=np.int32)
    vertices = np.empty((1024, 3), dtype=np.float64)
    faces = np.empty((2048, 3), dtype=np.int32)
    nv, nf = 0, 0
    corner = np.empty(3, dtype=np.int32)
    for i in range(nx - 1):
        made[(i + 1) & 1] = -1
        for j in range(ny - 1):
            if not (busy[i, j] or busy[i + 1, j] or busy[i, j + 1] or busy[i + 1, j + 1]):
                continue
            for k in range(nz - 1):
                inside = 0
                for c in range(8):
                    if field[i + (c & 1), j + (c >> 1 & 1), k + (c >> 2 & 1)] > 0.0:
                        inside |= 1 << c
                if count[inside] == 0:
                    continue
                if nv + 12 > len(vertices):
                    grown = np.empty((2 * len(vertices), 3), dtype=np.float64)
                    grown[:nv] = vertices[:nv]
                    vertices = grown
                if nf + 5 > len(faces):
                    more = np.empty((2 * len(faces), 3), dtype=np.int32)
                    more[:nf] = faces[:nf]
                    faces = more
                for t in range(count[inside]):
                    for q in range(3):
                        e = triangles[inside, t, q]
                        axis, c = e // 4, tail[e]
                        x, y, z = i + (c & 1), j + (c >> 1 & 1), k + (c >> 2 & 1)
                        index = made[x & 1, y * nz + z, axis]
                        if index < 0:
                            a = field[x, y, z]
                            b = field[x + (axis == 0), y + (axis == 1), z + (axis == 2)]
                            s = min(max(a / (a - b), _NEAR), 1.0 - _NEAR)
                            vertices[nv, 0] = x + s * (axis == 0)
                            vertices[nv, 1] = y + s * (axis == 1)
                            vertices[nv, 2] = z + s * (axis == 2)
                            index = nv
                            made[x & 1, y * nz + z, axis] = nv
                            nv += 1
                        corner[q] = index
                    faces[nf] = corner
                    nf += 1
    return vertices[:nv].copy(), faces[:nf].copy()


def zero_surface(
    field: NDArray[np.float32],
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Return the surface where a field changes sign, positive side inside.

    Parameters
    ----------
    field : (nx, ny, nz) float32
        Negative on the whole outer layer, so that the surface closes.

    Returns
    -------
    vertices : (n, 3) float64, in lattice steps
    faces : (m, 3) int32, counter-clockwise seen from the negative side
    """
    return _march(np.ascontiguousarray(field), _TRIANGLES, _COUNT, _TAIL)

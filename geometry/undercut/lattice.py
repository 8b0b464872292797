"""Heights of a surface over a lattice of lines along the removal direction.

The lattice is anchored at the origin of the coordinates and turned against their
axes by a fixed odd angle. Anchored at the bounding box it would run along the edge of
a box and be wrong by half a cell there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError

_MOST_CELLS = 40_000_000
_ODD = np.array([0.5257311, 0.2763932, 0.8044])


def basis_along(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return rows (u, v, direction): an orthonormal basis at an odd angle about it."""
    w = np.asarray(direction, dtype=np.float64)
    length = float(np.linalg.norm(w))
    if not np.isfinite(length) or length == 0.0:
        raise GeometryError("the removal direction has no length; give a vector")
    w = w / length
    u = np.cross(w, _ODD)
    if np.linalg.norm(u) < 0.3:
        u = np.cross(w, np.roll(_ODD, 1))
    u /= np.linalg.norm(u)
    return np.stack([u, np.cross(w, u), w])


@njit(cache=True, nogil=True)
def along_basis(points, basis):  # type: ignore[no-untyped-def]
    """Return points (n, 3) along the rows of a basis.

    Not a matrix product: that would wake the threads of the linear algebra library,
    which costs more than the three sums.
    """
    turned = np.empty((points.shape[0], 3), dtype=np.float64)
    for v in range(points.shape[0]):
        for axis in range(3):
            turned[v, axis] = (
                points[v, 0] * basis[axis, 0]
                + points[v, 1] * basis[axis, 1]
                + points[v, 2] * basis[axis, 2]
            )
    return turned


@njit(cache=True, nogil=True)
def _edge(ax, ay, bx, by, flip, px, py):  # type: ignore[no-untyped-def]
    """Side of (px, py) against an edge, the same number from both its triangles."""
    if flip:
        return -((ax - bx) * (py - by) - (ay - by) * (px - bx))
    return (bx - ax) * (py - ay) - (by - ay) * (px - ax)


@njit(cache=True, nogil=True)
def count_boxes(points, faces, inverse):  # type: ignore[no-untyped-def]
    """Lattice points within the triangles' boxes: a bound on the crossings."""
    total = np.int64(0)
    for t in range(faces.shape[0]):
        a, b, c = points[faces[t, 0]], points[faces[t, 1]], points[faces[t, 2]]
        wide = np.floor(max(a[0], b[0], c[0]) * inverse) - np.ceil(min(a[0], b[0], c[0]) * inverse)
        tall = np.floor(max(a[1], b[1], c[1]) * inverse) - np.ceil(min(a[1], b[1], c[1]) * inverse)
        if wide >= 0 and tall >= 0:
            total += np.int64(wide + 1) * np.int64(tall + 1)
    return total


@njit(cache=True, nogil=True)
def cross_lattice(points, faces, pitch, i0, j0, rows, cell, height, facing):  # type: ignore[no-untyped-def]
    """Intersect the triangles with the lattice lines.

    Fills, for each crossing, its cell, its height and +1 where the triangle's winding
    faces along the direction, else -1. A line through a shared edge crosses exactly
    one of two triangles that face alike. Returns the number of crossings.
    """
    inverse = 1.0 / pitch
    found = 0
    for t in range(faces.shape[0]):
        ia, ib, ic = faces[t, 0], faces[t, 1], faces[t, 2]
        ax, ay, az = points[ia, 0], points[ia, 1], points[ia, 2]
        bx, by, bz = points[ib, 0], points[ib, 1], points[ib, 2]
        cx, cy, cz = points[ic, 0], points[ic, 1], points[ic, 2]
        left = np.int64(np.ceil(min(ax, bx, cx) * inverse))
        right = np.int64(np.floor(max(ax, bx, cx) * inverse))
        if right < left:
            continue
        low = np.int64(np.ceil(min(ay, by, cy) * inverse))
        high = np.int64(np.floor(max(ay, by, cy) * inverse))
        if high < low:
            continue
        double = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if double == 0.0:
            continue
        sign = 1.0 if double > 0.0 else -1.0
        flip_ab = ia > ib
        flip_bc = ib > ic
        flip_ca = ic > ia
        scale = 1.0 / double
        for i in range(left, right + 1):
            x = i * pitch
            for j in range(low, high + 1):
                y = j * pitch
                ab = _edge(ax, ay, bx, by, flip_ab, x, y) * sign
                bc = _edge(bx, by, cx, cy, flip_bc, x, y) * sign
                ca = _edge(cx, cy, ax, ay, flip_ca, x, y) * sign
                # A line exactly on an edge goes to the triangle on one fixed side of it.
                if (
                    ab < 0.0
                    or bc < 0.0
                    or ca < 0.0
                    or (ab == 0.0 and flip_ab == (sign > 0.0))
                    or (bc == 0.0 and flip_bc == (sign > 0.0))
                    or (ca == 0.0 and flip_ca == (sign > 0.0))
                ):
                    continue
                weight = sign * scale
                cell[found] = (i - i0) * rows + (j - j0)
                height[found] = (bc * az + ca * bz + ab * cz) * weight
                facing[found] = np.int8(sign)
                found += 1
    return found


@njit(cache=True, nogil=True)
def sweep(cell, height, facing, cells, floor, slope_i, slope_j, rows, top, void):  # type: ignore[no-untyped-def]
    """Find the highest surface over each cell and the void under its overhangs.

    ``floor`` is the base plane's height over cell 0, ``slope_i`` and ``slope_j`` its
    change from cell to cell. ``top`` (cells,) is -inf where nothing is crossed;
    ``void`` (cells,) is the length of line below an overhang, down to the next
    surface that faces along the direction or to the base plane. Returns the sum of
    the facing of the topmost crossings.
    """
    start = np.zeros(cells + 1, dtype=np.int32)
    for k in range(cell.size):
        start[cell[k] + 1] += 1
    for c in range(cells):
        start[c + 1] += start[c]
    ordered = np.empty(cell.size, dtype=np.float64)
    side = np.empty(cell.size, dtype=np.int8)
    cursor = start[:-1].copy()
    for k in range(cell.size):
        c = cell[k]
        # Insertion from the top down; columns hold one to a few crossings.
        place = cursor[c]
        cursor[c] += 1
        z, f = height[k], facing[k]
        while place > start[c] and ordered[place - 1] < z:
            ordered[place] = ordered[place - 1]
            side[place] = side[place - 1]
            place -= 1
        ordered[place] = z
        side[place] = f
    facing_up = 0
    for c in range(cells):
        if start[c + 1] > start[c]:
            facing_up += side[start[c]]
    turned = facing_up < 0
    for c in range(cells):
        begin, end = start[c], start[c + 1]
        if begin == end:
            top[c] = -np.inf
            void[c] = 0.0
            continue
        top[c] = ordered[begin]
        if end - begin == 1 and (side[begin] > 0) != turned:
            void[c] = 0.0
            continue
        base = floor + slope_i * (c // rows) + slope_j * (c % rows)
        total = 0.0
        opened = -np.inf
        for k in range(begin, end):
            z = max(ordered[k], base)
            up = (side[k] > 0) != turned
            if up:
                if opened > z:
                    total += opened - z
                opened = -np.inf
            else:
                opened = z
        if opened > base:
            total += opened - base
        void[c] = total
    return facing_up


@dataclass(frozen=True, slots=True)
class Lattice:
    """Crossings summed up over a lattice.

    Attributes
    ----------
    basis : (3, 3) float64
        Rows u, v, direction.
    pitch_mm : float
    first : (i0, j0) ints
        Lattice coordinates of cell (0, 0); cell (i, j) stands at
        ``((i0 + i) * pitch, (j0 + j) * pitch)`` along u and v.
    top : (columns, rows) float64
        Height of the highest crossing; -inf where there is none.
    void : (columns, rows) float64
        Length under overhangs, mm.
    outward : int
        +1 when the winding's normals point outward, else -1.
    """

    basis: NDArray[np.float64]
    pitch_mm: float
    first: tuple[int, int]
    top: NDArray[np.float64]
    void: NDArray[np.float64]
    outward: int

    def cell_points(
        self, columns: NDArray[np.int64], rows: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Return points (n, 3) in file coordinates at the top of the given cells."""
        local = np.column_stack(
            [
                (columns + self.first[0]) * self.pitch_mm,
                (rows + self.first[1]) * self.pitch_mm,
                self.top[columns, rows],
            ]
        )
        return local @ self.basis


def cast(
    points: NDArray[np.float64],
    faces: NDArray[np.int32],
    basis: NDArray[np.float64],
    pitch_mm: float,
    plane: tuple[NDArray[np.float64], float],
) -> Lattice:
    """Cast the lattice lines through a surface.

    Parameters
    ----------
    points : (n, 3) float64
        Vertices along the basis: u, v and height.
    faces : (m, 3) int32
    basis : (3, 3) float64
    pitch_mm : float
    plane : (normal (3,) along the basis, offset)
        Base plane: points p with p · normal = offset.

    Raises
    ------
    GeometryError
        The lattice would be too large for the extent.
    """
    low = np.ceil(points[:, :2].min(axis=0) / pitch_mm).astype(np.int64)
    high = np.floor(points[:, :2].max(axis=0) / pitch_mm).astype(np.int64)
    size = np.maximum(high - low + 1, 1)
    if float(size[0]) * float(size[1]) > _MOST_CELLS:
        raise GeometryError(
            f"the surface is {float(size.max()) * pitch_mm:.0f} mm across, too large for an "
            f"undercut lattice of {pitch_mm} mm; check the unit of the file"
        )
    columns, rows = int(size[0]), int(size[1])
    bound = int(count_boxes(points, faces, 1.0 / pitch_mm))
    cell = np.empty(bound, dtype=np.int32)
    height = np.empty(bound, dtype=np.float64)
    facing = np.empty(bound, dtype=np.int8)
    found = int(
        cross_lattice(points, faces, pitch_mm, int(low[0]), int(low[1]), rows, cell, height, facing)
    )
    normal, offset = plane
    # Height of the base plane over a lattice point, linear in its coordinates.
    du, dv = -normal[0] / normal[2], -normal[1] / normal[2]
    floor = offset / normal[2] + du * low[0] * pitch_mm + dv * low[1] * pitch_mm
    top = np.empty(columns * rows)
    void = np.empty(columns * rows)
    facing_up = sweep(
        cell[:found], height[:found], facing[:found], columns * rows, float(floor),
        float(du * pitch_mm), float(dv * pitch_mm), rows, top, void,
    )  # fmt: skip
    return Lattice(
        basis,
        pitch_mm,
        (int(low[0]), int(low[1])),
        top.reshape(columns, rows),
        void.reshape(columns, rows),
        1 if facing_up >= 0 else -1,
    )

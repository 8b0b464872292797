"""Joining equal corners into shared vertices, exactly."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import ScanFileError
from geometry.mesh import Mesh

_SIGN = {4: np.uint64(0x8000_0000), 8: np.uint64(0x8000_0000_0000_0000)}
_EXPONENT = {4: np.uint64(0x7F80_0000), 8: np.uint64(0x7FF0_0000_0000_0000)}


@njit(cache=True, nogil=True)
def _plain(bits, row, sign):  # type: ignore[no-untyped-def]
    """Return a row's three bit patterns with −0 made 0: they are the same place."""
    x = np.uint64(bits[row, 0])
    y = np.uint64(bits[row, 1])
    z = np.uint64(bits[row, 2])
    zero = np.uint64(0)
    return (
        zero if x == sign else x,
        zero if y == sign else y,
        zero if z == sign else z,
    )


@njit(cache=True, nogil=True)
def _slot(x, y, z, mask):  # type: ignore[no-untyped-def]
    """Return where the search for a place begins in the table."""
    key = x * np.uint64(0x9E3779B97F4A7C15)
    key = (key ^ (key >> np.uint64(32)) ^ y) * np.uint64(0xC2B2AE3D27D4EB4F)
    key = (key ^ (key >> np.uint64(32)) ^ z) * np.uint64(0x165667B19E3779F9)
    return (key ^ (key >> np.uint64(32))) & mask


@njit(cache=True, nogil=True)
def _weld_bits(bits, sign, exponent, ids, representative):  # type: ignore[no-untyped-def]
    """Give each row of ``bits`` (n, 3) the number of its distinct value.

    Open addressing with linear probing; the table doubles at half load. Returns
    the count of distinct rows, or -1 - row for the first row that is not finite.
    """
    rows = bits.shape[0]
    size = 1024
    while size < rows // 3:
        size *= 2
    table = np.full(size, -1, dtype=np.int32)
    mask = np.uint64(size - 1)
    count = 0
    one = np.uint64(1)
    for row in range(rows):
        x, y, z = _plain(bits, row, sign)
        if (x & exponent) == exponent or (y & exponent) == exponent or (z & exponent) == exponent:
            return -1 - row
        slot = _slot(x, y, z, mask)
        while True:
            other = table[slot]
            if other < 0:
                table[slot] = count
                representative[count] = row
                ids[row] = count
                count += 1
                break
            a, b, c = _plain(bits, representative[other], sign)
            if a == x and b == y and c == z:
                ids[row] = other
                break
            slot = (slot + one) & mask
        if count * 2 > size:
            size *= 2
            table = np.full(size, -1, dtype=np.int32)
            mask = np.uint64(size - 1)
            for vertex in range(count):
                x, y, z = _plain(bits, representative[vertex], sign)
                slot = _slot(x, y, z, mask)
                while table[slot] >= 0:
                    slot = (slot + one) & mask
                table[slot] = vertex
    return count


@njit(cache=True, nogil=True)
def _pick(points, rows):  # type: ignore[no-untyped-def]
    """Return the chosen rows as float64, with −0 made 0."""
    chosen = np.empty((rows.size, 3), dtype=np.float64)
    for k in range(rows.size):
        for axis in range(3):
            chosen[k, axis] = np.float64(points[rows[k], axis]) + 0.0
    return chosen


def _distinct(points: NDArray[np.floating]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return each row's distinct number and the first row of each number."""
    points = np.ascontiguousarray(points)
    width = points.dtype.itemsize
    bits = points.view(np.uint32 if width == 4 else np.uint64)
    ids = np.empty(len(points), dtype=np.int32)
    representative = np.empty(len(points), dtype=np.int32)
    count = _weld_bits(bits, _SIGN[width], _EXPONENT[width], ids, representative)
    if count < 0:
        row = -1 - count
        raise ScanFileError(
            f"point {row + 1} has a coordinate that is not a finite number; export the scan again"
        )
    return ids, representative[:count]


def weld_corners(corners: NDArray[np.floating]) -> Mesh:
    """Weld a triangle soup into a mesh.

    Parameters
    ----------
    corners : (m, 3, 3) or (3 m, 3) float32 or float64
        Corner coordinates, three by three.

    Returns
    -------
    Mesh
        Vertices in the order of first appearance; corners are joined only when all
        three coordinates are equal (−0 equals 0), so nothing moves.

    Raises
    ------
    ScanFileError
        A coordinate is NaN or infinite; names the triangle.
    """
    flat = corners.reshape(-1, 3)
    try:
        ids, representative = _distinct(flat)
    except ScanFileError:
        bad = int(np.flatnonzero(~np.isfinite(flat).all(axis=1))[0])
        raise ScanFileError(
            f"triangle {bad // 3 + 1} has a coordinate that is not a finite number; "
            "export the scan again"
        ) from None
    return Mesh(_pick(flat, representative), ids.reshape(-1, 3))


def weld_indexed(points: NDArray[np.floating], faces: NDArray[np.integer]) -> Mesh:
    """Weld an indexed mesh and drop the vertices that no face uses.

    Parameters
    ----------
    points : (n, 3) float32 or float64
    faces : (m, 3) integers within ``range(n)``

    Raises
    ------
    ScanFileError
        A used coordinate is NaN or infinite; names the vertex.
    """
    used = np.zeros(len(points), dtype=bool)
    used[faces] = True
    kept = np.flatnonzero(used)
    chosen = points[kept]
    try:
        ids, representative = _distinct(chosen)
    except ScanFileError:
        bad = int(kept[np.flatnonzero(~np.isfinite(chosen).all(axis=1))[0]])
        raise ScanFileError(
            f"vertex {bad + 1} has a coordinate that is not a finite number; export the scan again"
        ) from None
    number = np.empty(len(points), dtype=np.int32)
    number[kept] = ids
    return Mesh(_pick(chosen, representative), number[faces])

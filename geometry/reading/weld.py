"""Joining equal corners into shared vertices, exactly."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import ScanFileError
from geometry.mesh import Mesh

_SIGN = {4: np.uint64(0x8000_0000), 8: np.uint64(0x8000_0000_0000_0000)}
_BLOCK = 64
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
def _table(keys, count, size):  # type: ignore[no-untyped-def]
    """Return a table of ``size`` slots that holds the first ``count`` keys."""
    table = np.full(size, -1, dtype=np.int32)
    mask = np.uint64(size - 1)
    for vertex in range(count):
        slot = _slot(
            np.uint64(keys[vertex, 0]), np.uint64(keys[vertex, 1]), np.uint64(keys[vertex, 2]), mask
        )
        while table[slot] >= 0:
            slot = (slot + np.uint64(1)) & mask
        table[slot] = vertex
    return table


@njit(cache=True, nogil=True)
def _weld_bits(bits, sign, exponent, ids, keys):  # type: ignore[no-untyped-def]
    """Give each row of ``bits`` (n, 3) the number of its distinct value.

    Open addressing with linear probing; the table doubles at half load. Rows are taken
    in blocks whose slots and keys are all asked for before any is judged, so that the
    memory answers side by side instead of one after the other. ``keys`` (n + 1, 3)
    receives the distinct rows, with −0 made 0.

    Returns the count of distinct rows, or -1 - row for the first row that is not
    finite, and a number without meaning that keeps the early reads alive.
    """
    rows = bits.shape[0]
    size = 1024
    while size < rows // 3:
        size *= 2
    table = _table(keys, 0, size)
    mask = np.uint64(size - 1)
    count = 0
    slots = np.empty(_BLOCK, dtype=np.uint64)
    early = np.empty(_BLOCK, dtype=np.int32)
    touched = np.uint64(0)
    for begin in range(0, rows, _BLOCK):
        end = min(begin + _BLOCK, rows)
        for row in range(begin, end):
            x, y, z = _plain(bits, row, sign)
            slots[row - begin] = _slot(x, y, z, mask)
        for k in range(end - begin):
            early[k] = table[slots[k]]
        for k in range(end - begin):
            touched ^= np.uint64(keys[max(early[k], 0), 0])
        for row in range(begin, end):
            x, y, z = _plain(bits, row, sign)
            if (
                (x & exponent) == exponent
                or (y & exponent) == exponent
                or (z & exponent) == exponent
            ):
                return -1 - row, touched
            slot = slots[row - begin]
            while True:
                other = table[slot]
                if other < 0:
                    table[slot] = count
                    keys[count, 0] = x
                    keys[count, 1] = y
                    keys[count, 2] = z
                    ids[row] = count
                    count += 1
                    break
                if (keys[other, 0] == x) & (keys[other, 1] == y) & (keys[other, 2] == z):
                    ids[row] = other
                    break
                slot = (slot + np.uint64(1)) & mask
        if (count + _BLOCK) * 2 > size:
            size *= 2
            table = _table(keys, count, size)
            mask = np.uint64(size - 1)
    return count, touched


def _distinct(points: NDArray[np.floating]) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Return each row's distinct number and the distinct rows as float64, −0 made 0."""
    points = np.ascontiguousarray(points)
    width = points.dtype.itemsize
    word = np.uint32 if width == 4 else np.uint64
    ids = np.empty(len(points), dtype=np.int32)
    keys = np.empty((len(points) + 1, 3), dtype=word)
    count, _ = _weld_bits(points.view(word), _SIGN[width], _EXPONENT[width], ids, keys)
    if count < 0:
        row = -1 - count
        raise ScanFileError(
            f"point {row + 1} has a coordinate that is not a finite number; export the scan again"
        )
    return ids, keys[:count].view(points.dtype).astype(np.float64)


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
        ids, vertices = _distinct(flat)
    except ScanFileError:
        bad = int(np.flatnonzero(~np.isfinite(flat).all(axis=1))[0])
        raise ScanFileError(
            f"triangle {bad // 3 + 1} has a coordinate that is not a finite number; "
            "export the scan again"
        ) from None
    return Mesh(vertices, ids.reshape(-1, 3))


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
        ids, vertices = _distinct(chosen)
    except ScanFileError:
        bad = int(kept[np.flatnonzero(~np.isfinite(chosen).all(axis=1))[0]])
        raise ScanFileError(
            f"vertex {bad + 1} has a coordinate that is not a finite number; export the scan again"
        ) from None
    number = np.empty(len(points), dtype=np.int32)
    number[kept] = ids
    return Mesh(vertices, number[faces])

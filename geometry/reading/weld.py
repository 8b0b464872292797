"""Joining equal corners into shared vertices, exactly."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import ScanFileError
from geometry.mesh import Mesh

_SIGN = {4: 0x8000_0000, 8: 0x8000_0000_0000_0000}
_BLOCK = 64
_FACES_PER_CORNER = 6
"""So many triangles meet at a vertex of an ordinary mesh; others only cost a larger table."""


@njit(cache=True, nogil=True)
def _slot(x, y, z, shift):  # type: ignore[no-untyped-def]
    """Return where the search for a place begins in the table."""
    key = np.uint64(x) * np.uint64(0x9E3779B97F4A7C15)
    key += np.uint64(y) * np.uint64(0xC2B2AE3D27D4EB4F)
    key += np.uint64(z) * np.uint64(0x165667B19E3779F9)
    return ((key ^ (key >> np.uint64(32))) * np.uint64(0xD6E8FEB86659FD93)) >> shift


@njit(cache=True, nogil=True)
def _refill(keys, count, table, shift):  # type: ignore[no-untyped-def]
    """Put the first ``count`` keys into an empty table."""
    mask = np.uint64(table.shape[0] - 1)
    for vertex in range(count):
        slot = _slot(keys[vertex, 0], keys[vertex, 1], keys[vertex, 2], shift)
        while table[slot, 3] != 0:
            slot = (slot + np.uint64(1)) & mask
        for axis in range(3):
            table[slot, axis] = keys[vertex, axis]
        table[slot, 3] = vertex + 1


@njit(cache=True, nogil=True)
def _number(bits, begin, count, sign, table, shift, ids, keys):  # type: ignore[no-untyped-def]
    """Number the corners of ``bits`` (n, 3 k: k corners a row) from row ``begin`` on.

    Open addressing with linear probing. A slot holds the key and its number plus one, 0
    when empty, so that one line of memory answers. Corners are taken in blocks whose
    slots are all asked for before any is judged, so that the memory answers side by side
    instead of one after the other.

    Returns the row where the table is half full or the rows end, the count of distinct
    corners, and a number without meaning that keeps the early reads alive.
    """
    rows, each = bits.shape[0], bits.shape[1] // 3
    mask = np.uint64(table.shape[0] - 1)
    room = table.shape[0] // 2 - _BLOCK * each
    block = np.empty((_BLOCK * each, 3), dtype=keys.dtype)
    slots = np.empty(_BLOCK * each, dtype=np.uint64)
    zero = sign ^ sign
    touched = zero
    while begin < rows and count <= room:
        filled = 0
        end = min(begin + _BLOCK, rows)
        for row in range(begin, end):
            for corner in range(each):
                x = bits[row, 3 * corner]
                y = bits[row, 3 * corner + 1]
                z = bits[row, 3 * corner + 2]
                # −0 and 0 are the same place.
                x = zero if x == sign else x
                y = zero if y == sign else y
                z = zero if z == sign else z
                block[filled, 0], block[filled, 1], block[filled, 2] = x, y, z
                slots[filled] = _slot(x, y, z, shift)
                filled += 1
        for k in range(filled):
            touched ^= table[slots[k], 0]
        for k in range(filled):
            x, y, z = block[k, 0], block[k, 1], block[k, 2]
            slot = slots[k]
            number = table[slot, 3]
            while not (
                (table[slot, 0] == x)
                & (table[slot, 1] == y)
                & (table[slot, 2] == z)
                & (number != zero)
            ):
                if number == zero:
                    keys[count, 0], keys[count, 1], keys[count, 2] = x, y, z
                    count += 1
                    table[slot, 0], table[slot, 1], table[slot, 2] = x, y, z
                    table[slot, 3] = number = count
                    break
                slot = (slot + np.uint64(1)) & mask
                number = table[slot, 3]
            ids[begin * each + k] = np.int32(np.int64(number) - 1)
        begin = end
    return begin, count, touched


@njit(cache=True, nogil=True)
def _weld_bits(bits, sign, expected, ids, keys):  # type: ignore[no-untyped-def]
    """Give each corner of ``bits`` the number of its distinct value in ``ids``.

    ``keys`` (n k + 1, 3) receives the distinct corners, with −0 made 0. Returns their count.
    """
    size, shift = 2048, np.uint64(53)
    while size < 2 * expected:
        size, shift = 2 * size, shift - np.uint64(1)
    begin = count = 0
    while True:
        table = np.zeros((size, 4), dtype=keys.dtype)
        _refill(keys, count, table, shift)
        begin, count, _ = _number(bits, begin, count, sign, table, shift, ids, keys)
        if begin == bits.shape[0]:
            return count
        size, shift = 2 * size, shift - np.uint64(1)


def _distinct(
    points: NDArray[np.floating], expected: int, name: Callable[[int], str]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Return each corner's distinct number and the distinct corners as float64, −0 made 0.

    ``points`` (n, 3 k) holds k corners a row, ``expected`` is about how many differ, and
    ``name`` says what a row is called.
    """
    width = points.dtype.itemsize
    word = np.uint32 if width == 4 else np.uint64
    corners = points.size // 3
    ids = np.empty(corners, dtype=np.int32)
    keys = np.empty((corners + 1, 3), dtype=word)
    count = _weld_bits(points.view(word), word(_SIGN[width]), expected, ids, keys)
    distinct = keys[:count].view(points.dtype)
    if not np.isfinite(distinct).all():
        bad = int(np.flatnonzero(~np.isfinite(points).all(axis=1))[0])
        raise ScanFileError(
            f"{name(bad)} has a coordinate that is not a finite number; export the scan again"
        )
    return ids, distinct.astype(np.float64)


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
    flat = corners.reshape(-1, 9)
    ids, vertices = _distinct(
        flat, len(flat) * 3 // _FACES_PER_CORNER, lambda row: f"triangle {row + 1}"
    )
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
    ids, vertices = _distinct(points[kept], len(kept), lambda row: f"vertex {int(kept[row]) + 1}")
    number = np.empty(len(points), dtype=np.int32)
    number[kept] = ids
    return Mesh(vertices, number[faces])

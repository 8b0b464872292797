"""Joining equal corners into shared vertices, exactly."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import ScanFileError
from geometry.mesh import Mesh

_SIGN = {4: np.uint64(0x8000_0000), 8: np.uint64(0x8000_0000_0000_0000)}
_BLOCK = 64
WORTH_TWO_THREADS = 60_000
"""Rows from which on two halves are welded side by side."""
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
    finite, the table, and a number without meaning that keeps the early reads alive.
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
                return -1 - row, table, touched
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
    return count, table, touched


@njit(cache=True, nogil=True)
def _join(keys, count, table, others, other_count, number):  # type: ignore[no-untyped-def]
    """Add the distinct rows ``others`` to ``keys``; return the count of both.

    ``table`` holds the first ``count`` keys; ``keys`` has room for all; ``number``
    (other_count,) receives the number of each of the others.
    """
    size = 1024
    while size < (count + other_count) * 2:
        size *= 2
    if size > table.size:
        table = _table(keys, count, size)
    mask = np.uint64(table.size - 1)
    slots = np.empty(_BLOCK, dtype=np.uint64)
    for begin in range(0, other_count, _BLOCK):
        end = min(begin + _BLOCK, other_count)
        for row in range(begin, end):
            slots[row - begin] = _slot(
                np.uint64(others[row, 0]), np.uint64(others[row, 1]), np.uint64(others[row, 2]),
                mask,
            )  # fmt: skip
        for row in range(begin, end):
            slot = slots[row - begin]
            while True:
                other = table[slot]
                if other < 0:
                    table[slot] = count
                    for axis in range(3):
                        keys[count, axis] = others[row, axis]
                    number[row] = count
                    count += 1
                    break
                if (
                    (keys[other, 0] == others[row, 0])
                    & (keys[other, 1] == others[row, 1])
                    & (keys[other, 2] == others[row, 2])
                ):
                    number[row] = other
                    break
                slot = (slot + np.uint64(1)) & mask
    return count


@njit(cache=True, nogil=True)
def _renumber(ids, number):  # type: ignore[no-untyped-def]
    """Replace each id by its number, in place."""
    for row in range(ids.size):
        ids[row] = number[ids[row]]


_Words = NDArray[np.unsignedinteger]


def _weld_rows(
    points: NDArray[np.floating], ids: NDArray[np.int32]
) -> tuple[_Words, int, NDArray[np.int32]]:
    """Weld rows (…, 3); fill their numbers, return the keys, how many, and the table."""
    points = np.ascontiguousarray(points).reshape(-1, 3)
    width = points.dtype.itemsize
    word = np.uint32 if width == 4 else np.uint64
    keys = np.empty((len(points) + 1, 3), dtype=word)
    count, table, _ = _weld_bits(points.view(word), _SIGN[width], _EXPONENT[width], ids, keys)
    if count < 0:
        raise ScanFileError("a coordinate is not a finite number; export the scan again")
    return keys, count, table


def _distinct(points: NDArray[np.floating]) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Return the distinct number of each row (…, 3) and those rows as float64, −0 made 0."""
    ids = np.empty(points.shape[:-1], dtype=np.int32)
    if ids.size < WORTH_TWO_THREADS:
        keys, count, _ = _weld_rows(points, ids.ravel())
        return ids, keys[:count].view(points.dtype).astype(np.float64)
    # Two halves side by side, then the second one's vertices among the first one's: the
    # numbers are those of one pass.
    half = len(points) // 2
    with ThreadPoolExecutor(max_workers=1) as beside:
        second = beside.submit(_weld_rows, points[half:], ids[half:].ravel())
        keys, count, table = _weld_rows(points[:half], ids[:half].ravel())
        others, other_count, _ = second.result()
    every = np.concatenate([keys[:count], np.empty((other_count, 3), keys.dtype)])
    number = np.empty(other_count, dtype=np.int32)
    count = _join(every, count, table, others, other_count, number)
    _renumber(ids[half:].ravel(), number)
    return ids, every[:count].view(points.dtype).astype(np.float64)


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
    try:
        ids, vertices = _distinct(corners)
    except ScanFileError:
        flat = corners.reshape(-1, 3)
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

"""Wavefront OBJ: vertices and polygonal faces; the rest is passed over."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import ScanFileError
from geometry.reading.limits import ReadLimits
from geometry.reading.numbers import OK, line_end, read_number, settle

_FEW_NUMBERS, _BAD_INDEX, _FEW_CORNERS, _DONE = 1, 2, 3, 0


@njit(cache=True, nogil=True)
def _blank(byte):  # type: ignore[no-untyped-def]
    return byte == 32 or byte == 9 or byte == 11 or byte == 12


@njit(cache=True, nogil=True)
def _next_word(data, at, stop):  # type: ignore[no-untyped-def]
    while at < stop and _blank(data[at]):
        at += 1
    end = at
    while end < stop and not _blank(data[end]):
        end += 1
    return at, end


@njit(cache=True, nogil=True)
def _count(data):  # type: ignore[no-untyped-def]
    """Count vertex lines and the triangles of all face lines."""
    at = 0
    points = 0
    triangles = 0
    while at < data.size:
        stop = line_end(data, at)
        begin, end = _next_word(data, at, stop)
        if end - begin == 1 and data[begin] == 118:
            points += 1
        elif end - begin == 1 and data[begin] == 102:
            corners = 0
            begin, end = _next_word(data, end, stop)
            while end > begin and data[begin] != 35:
                corners += 1
                begin, end = _next_word(data, end, stop)
            triangles += max(corners - 2, 0)
        at = stop + 1
    return points, triangles


@njit(cache=True, nogil=True)
def _fill(data, values, faces, slow):  # type: ignore[no-untyped-def]
    """Fill vertices and faces; return (state, position, slow tokens)."""
    at = 0
    points = 0
    triangles = 0
    slow_count = 0
    total = values.size // 3
    while at < data.size:
        stop = line_end(data, at)
        begin, end = _next_word(data, at, stop)
        if end - begin == 1 and data[begin] == 118:
            for k in range(3):
                begin, end = _next_word(data, end, stop)
                if end == begin:
                    return _FEW_NUMBERS, at, slow_count
                status, value, _ = read_number(data, begin)
                values[3 * points + k] = value
                if status != OK:
                    slow[slow_count, 0] = 3 * points + k
                    slow[slow_count, 1] = begin
                    slow_count += 1
            points += 1
        elif end - begin == 1 and data[begin] == 102:
            corners = 0
            first = 0
            last = 0
            begin, end = _next_word(data, end, stop)
            while end > begin and data[begin] != 35:
                i = begin
                minus = data[i] == 45
                if minus or data[i] == 43:
                    i += 1
                index = 0
                digits = 0
                while i < end and 48 <= data[i] <= 57:
                    if digits > 12:
                        return _BAD_INDEX, at, slow_count
                    index = index * 10 + (data[i] - 48)
                    digits += 1
                    i += 1
                if digits == 0 or (i < end and data[i] != 47):
                    return _BAD_INDEX, at, slow_count
                index = points - index if minus else index - 1
                if index < 0 or index >= total or (minus and index >= points):
                    return _BAD_INDEX, at, slow_count
                if corners == 0:
                    first = index
                elif corners >= 2:
                    faces[triangles, 0] = first
                    faces[triangles, 1] = last
                    faces[triangles, 2] = index
                    triangles += 1
                last = index
                corners += 1
                begin, end = _next_word(data, end, stop)
            if corners < 3:
                return _FEW_CORNERS, at, slow_count
        at = stop + 1
    return _DONE, at, slow_count


def read_obj(data: bytes, limits: ReadLimits) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Return vertices (n, 3) and triangles (m, 3) of an OBJ file.

    Polygons are cut into a fan from their first corner; indices count from 1, or
    back from the latest vertex when negative.

    Raises
    ------
    ScanFileError
        Names the line of a short vertex, an index out of range or a face with
        fewer than three corners.
    """
    if b"\\" in data:
        data = data.replace(b"\\\r\n", b"   ").replace(b"\\\n", b"  ")
    text = np.frombuffer(data, dtype=np.uint8)
    points, triangles = _count(text)
    if points == 0 or triangles == 0:
        missing = "vertices" if points == 0 else "faces"
        raise ScanFileError(f"no {missing} found; export the scan as STL, PLY or OBJ")
    if triangles > limits.max_triangles:
        raise ScanFileError(
            f"{triangles} triangles, more than the {limits.max_triangles} allowed; "
            "reduce the scan before uploading"
        )
    values = np.empty(3 * points, dtype=np.float64)
    faces = np.empty((triangles, 3), dtype=np.int32)
    slow = np.empty((3 * points, 2), dtype=np.int64)
    state, at, slow_count = _fill(text, values, faces, slow)
    line = data.count(b"\n", 0, at) + 1
    if state == _FEW_NUMBERS:
        raise ScanFileError(f"line {line}: a vertex needs three numbers; export the scan again")
    if state == _BAD_INDEX:
        raise ScanFileError(
            f"line {line}: a face names a vertex that does not exist (the file has {points}); "
            "export the scan again"
        )
    if state == _FEW_CORNERS:
        raise ScanFileError(f"line {line}: a face needs three corners; export the scan again")
    bad = settle(data, values, slow[:slow_count])
    if bad is not None:
        line = data.count(b"\n", 0, bad[1]) + 1
        raise ScanFileError(f"line {line}: a coordinate is not a number; export the scan again")
    return values.reshape(-1, 3), faces

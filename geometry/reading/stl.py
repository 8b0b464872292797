"""STL, binary and text."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import ScanFileError
from geometry.reading.limits import ReadLimits
from geometry.reading.numbers import (
    OK,
    line_end,
    read_number,
    settle,
    skip_spaces,
    token_end,
)

HEADER_BYTES = 84
TRIANGLE_BYTES = 50
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
# No triangle takes less text: facet normal 0 0 0 outer loop, three times
# vertex 0 0 0, endloop endfacet.
_SHORTEST_TRIANGLE = 80


def _word(text: str) -> NDArray[np.uint8]:
    return np.frombuffer(text.encode(), dtype=np.uint8).copy()


_SOLID, _ENDSOLID = _word("solid"), _word("endsolid")
_FACET, _ENDFACET = _word("facet"), _word("endfacet")
_OUTER, _LOOP, _ENDLOOP = _word("outer"), _word("loop"), _word("endloop")
_NORMAL, _VERTEX = _word("normal"), _word("vertex")

_DONE, _EXPECTED, _CUT_SHORT, _NO_NUMBER = 0, 1, 2, 3
_WORDS = ("solid", "facet or endsolid", "normal", "outer", "loop", "vertex", "endloop", "endfacet")


def is_binary_stl(data: bytes) -> bool:
    """Tell a binary STL by its size, whatever its header says: 84 + 50 n bytes.

    Some programs append a few bytes; fewer than a triangle's lose nothing.
    """
    if len(data) < HEADER_BYTES:
        return False
    count = int.from_bytes(data[80:84], "little")
    return 0 <= len(data) - HEADER_BYTES - TRIANGLE_BYTES * count < TRIANGLE_BYTES


def read_binary_stl(data: bytes, limits: ReadLimits) -> NDArray[np.float32]:
    """Return the corners (n, 3, 3) of a binary STL, where they lie in ``data``.

    Raises
    ------
    ScanFileError
        The header's count does not fit the size, or is beyond the limit.
    """
    if len(data) < HEADER_BYTES:
        raise ScanFileError(
            f"only {len(data)} bytes, a binary STL has at least {HEADER_BYTES}; "
            "export or upload the scan again"
        )
    count = int.from_bytes(data[80:84], "little")
    if not is_binary_stl(data):
        whole = (len(data) - HEADER_BYTES) // TRIANGLE_BYTES
        if not _looks_binary(data):
            raise ScanFileError("this is text or another format, not STL; export the scan as STL")
        raise ScanFileError(
            f"the header (byte 80) promises {count} triangles but the file holds {whole}; it is "
            f"{'cut short' if whole < count else 'damaged'}: export or upload it again"
        )
    if count > limits.max_triangles:
        raise ScanFileError(
            f"{count} triangles, more than the {limits.max_triangles} allowed; "
            "reduce the scan before uploading"
        )
    return np.frombuffer(data, _RECORD, count, HEADER_BYTES)["corners"]


def _looks_binary(data: bytes) -> bool:
    head = data[:512]
    return any(byte < 9 or 13 < byte < 32 for byte in head)


@njit(cache=True, nogil=True)
def _matches(data, at, stop, word):  # type: ignore[no-untyped-def]
    if stop - at != word.size:
        return False
    for k in range(word.size):
        byte = data[at + k]
        if 65 <= byte <= 90:
            byte += 32
        if byte != word[k]:
            return False
    return True


@njit(cache=True, nogil=True)
def _scan(data, values, slow):  # type: ignore[no-untyped-def]
    """Walk the grammar; return (state, expected word, position, numbers, slow tokens)."""
    at = 0
    filled = 0
    slow_count = 0
    inside = False
    while True:
        at = skip_spaces(data, at)
        if at >= data.size:
            return (_CUT_SHORT if inside else _DONE), 1, at, filled, slow_count
        stop = token_end(data, at)
        if not inside:
            if not _matches(data, at, stop, _SOLID):
                return _EXPECTED, 0, at, filled, slow_count
            at = line_end(data, stop)
            inside = True
            continue
        if _matches(data, at, stop, _ENDSOLID):
            at = line_end(data, stop)
            inside = False
            continue
        if not _matches(data, at, stop, _FACET):
            return _EXPECTED, 1, at, filled, slow_count
        at = skip_spaces(data, stop)
        stop = token_end(data, at)
        if not _matches(data, at, stop, _NORMAL):
            return (_CUT_SHORT if stop == at else _EXPECTED), 2, at, filled, slow_count
        at = stop
        for _ in range(3):  # The normal follows from the corners; it is not used.
            at = token_end(data, skip_spaces(data, at))
        at = skip_spaces(data, at)
        stop = token_end(data, at)
        if not _matches(data, at, stop, _OUTER):
            return (_CUT_SHORT if stop == at else _EXPECTED), 3, at, filled, slow_count
        at = skip_spaces(data, stop)
        stop = token_end(data, at)
        if not _matches(data, at, stop, _LOOP):
            return (_CUT_SHORT if stop == at else _EXPECTED), 4, at, filled, slow_count
        at = stop
        for _ in range(3):
            at = skip_spaces(data, at)
            stop = token_end(data, at)
            if not _matches(data, at, stop, _VERTEX):
                return (_CUT_SHORT if stop == at else _EXPECTED), 5, at, filled, slow_count
            at = stop
            for _ in range(3):
                at = skip_spaces(data, at)
                if at >= data.size:
                    return _CUT_SHORT, 5, at, filled, slow_count
                status, value, after = read_number(data, at)
                values[filled] = value
                if status != OK:
                    slow[slow_count, 0] = filled
                    slow[slow_count, 1] = at
                    slow_count += 1
                filled += 1
                at = after
        at = skip_spaces(data, at)
        stop = token_end(data, at)
        if not _matches(data, at, stop, _ENDLOOP):
            return (_CUT_SHORT if stop == at else _EXPECTED), 6, at, filled, slow_count
        at = skip_spaces(data, stop)
        stop = token_end(data, at)
        if not _matches(data, at, stop, _ENDFACET):
            return (_CUT_SHORT if stop == at else _EXPECTED), 7, at, filled, slow_count
        at = stop


def read_text_stl(data: bytes, limits: ReadLimits) -> NDArray[np.float64]:
    """Return the corners (n, 3, 3) of a text STL.

    Letters may be in either case and white space of any kind; the word after
    ``solid`` is a name and runs to the end of the line.

    Raises
    ------
    ScanFileError
        Names the line where the grammar breaks or the file ends too early.
    """
    text = np.frombuffer(data, dtype=np.uint8)
    room = 9 * (len(data) // _SHORTEST_TRIANGLE + 2)
    values = np.empty(room, dtype=np.float64)
    slow = np.empty((room, 2), dtype=np.int64)
    state, expected, at, filled, slow_count = _scan(text, values, slow)
    line = data.count(b"\n", 0, at) + 1
    if state == _EXPECTED:
        raise ScanFileError(
            f"line {line}: expected '{_WORDS[expected]}'; this is not a valid text STL: "
            "export the scan again, as binary STL if possible"
        )
    if state == _CUT_SHORT:
        raise ScanFileError(
            f"line {line}: the file ends before 'endsolid', after {filled // 9} whole triangles; "
            "it is cut short: export or upload it again"
        )
    if filled // 9 > limits.max_triangles:
        raise ScanFileError(
            f"{filled // 9} triangles, more than the {limits.max_triangles} allowed; "
            "reduce the scan before uploading"
        )
    bad = settle(data, values, slow[:slow_count])
    if bad is not None:
        line = data.count(b"\n", 0, bad[1]) + 1
        raise ScanFileError(f"line {line}: a coordinate is not a number; export the scan again")
    return values[:filled].reshape(-1, 3, 3).copy()

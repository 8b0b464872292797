"""Vertices and triangles as XML text, fast."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

_VERTEX = tuple(
    np.frombuffer(text, dtype=np.uint8) for text in (b'<vertex x="', b'" y="', b'" z="', b'"/>\n')
)
_TRIANGLE = tuple(
    np.frombuffer(text, dtype=np.uint8)
    for text in (b'<triangle v1="', b'" v2="', b'" v3="', b'"/>\n')
)
_LONGEST = 22
"""Room for one number, in bytes."""


@njit(cache=True, nogil=True)
def _copy(out, at, text):  # type: ignore[no-untyped-def]
    for k in range(text.shape[0]):
        out[at + k] = text[k]
    return at + text.shape[0]


@njit(cache=True, nogil=True)
def _whole(out, at, value):  # type: ignore[no-untyped-def]
    """Write a whole number that is not negative."""
    digits = 1
    rest = value // 10
    while rest > 0:
        digits += 1
        rest //= 10
    for k in range(digits):
        out[at + digits - 1 - k] = 48 + value % 10
        value //= 10
    return at + digits


@njit(cache=True, nogil=True)
def _number(out, at, value):  # type: ignore[no-untyped-def]
    """Write a float32 with nine significant digits, at most nine of them decimals."""
    size = abs(value)
    places = 9 if size < 1 else 8 if size < 10 else 7 if size < 100 else 6
    scale = 10**places
    fixed = np.int64(np.round(size * scale))
    if value < 0 and fixed > 0:
        out[at] = 45
        at += 1
    at = _whole(out, at, fixed // scale)
    part = fixed % scale
    if part == 0:
        return at
    while part % 10 == 0:
        part //= 10
        places -= 1
    out[at] = 46
    for k in range(places):
        out[at + places - k] = 48 + part % 10
        part //= 10
    return at + 1 + places


@njit(cache=True, nogil=True)
def _vertex_rows(points, out, a, b, c, d):  # type: ignore[no-untyped-def]
    at = 0
    for v in range(points.shape[0]):
        at = _number(out, _copy(out, at, a), points[v, 0])
        at = _number(out, _copy(out, at, b), points[v, 1])
        at = _number(out, _copy(out, at, c), points[v, 2])
        at = _copy(out, at, d)
    return at


@njit(cache=True, nogil=True)
def _triangle_rows(faces, out, a, b, c, d):  # type: ignore[no-untyped-def]
    at = 0
    for f in range(faces.shape[0]):
        at = _whole(out, _copy(out, at, a), np.int64(faces[f, 0]))
        at = _whole(out, _copy(out, at, b), np.int64(faces[f, 1]))
        at = _whole(out, _copy(out, at, c), np.int64(faces[f, 2]))
        at = _copy(out, at, d)
    return at


def vertex_rows(points: NDArray[np.float64]) -> bytes:
    """Return ``<vertex …/>`` rows of (n, 3) points; float32 values are kept exactly.

    (Down to 1e-9 mm: smaller parts of a coordinate are rounded.)
    """
    room = sum(len(part) for part in _VERTEX) + 3 * _LONGEST
    out = np.empty(room * len(points), dtype=np.uint8)
    single = np.asarray(points, dtype=np.float32).astype(np.float64)
    return out[: _vertex_rows(single, out, *_VERTEX)].tobytes()


def triangle_rows(faces: NDArray[np.int32]) -> bytes:
    """Return ``<triangle …/>`` rows of (m, 3) vertex numbers."""
    room = sum(len(part) for part in _TRIANGLE) + 3 * 10
    out = np.empty(room * len(faces), dtype=np.uint8)
    whole = np.ascontiguousarray(faces, dtype=np.int32)
    return out[: _triangle_rows(whole, out, *_TRIANGLE)].tobytes()

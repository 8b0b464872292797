"""PLY: text, binary little-endian and binary big-endian."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import ScanFileError
from geometry.reading.limits import ReadLimits
from geometry.reading.numbers import read_numbers, settle

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_ENCODINGS = {
    "ascii": "ply-ascii",
    "binary_little_endian": "ply-binary-le",
    "binary_big_endian": "ply-binary-be",
}
_MAX_HEADER_BYTES = 65536
_MAX_PROPERTIES = 256
_INDEX_NAMES = ("vertex_indices", "vertex_index")


@dataclass(slots=True)
class _Property:
    name: str
    kind: str
    count_kind: str | None = None


@dataclass(slots=True)
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)

    def find(self, *names: str) -> int:
        for number, item in enumerate(self.properties):
            if item.name in names:
                return number
        return -1

    @property
    def has_lists(self) -> bool:
        return any(item.count_kind for item in self.properties)


def read_ply(
    data: bytes, limits: ReadLimits
) -> tuple[NDArray[np.floating], NDArray[np.int64], str]:
    """Return vertices (n, 3), triangles (m, 3) and the format of a PLY file.

    Polygons are cut into a fan from their first corner. Colours, normals and
    elements of other names are passed over.

    Raises
    ------
    ScanFileError
        The header is not understood, the body is cut short, or an index is out of
        range; names the element and the remedy.
    """
    encoding, elements, body = _read_header(data)
    vertices = next((e for e in elements if e.name == "vertex"), None)
    faces = next((e for e in elements if e.name == "face"), None)
    if vertices is None or vertices.count == 0:
        raise ScanFileError("the header lists no vertices; export the scan again")
    if faces is None or faces.count == 0:
        raise ScanFileError(
            "the header lists no faces, this is a point cloud; export a surface mesh"
        )
    if max(vertices.count, faces.count) > 3 * limits.max_triangles:
        raise ScanFileError(
            f"the header promises {vertices.count} vertices and {faces.count} faces, more than "
            f"the {limits.max_triangles} triangles allowed; reduce the scan before uploading"
        )
    axes = [vertices.find(axis) for axis in "xyz"]
    if min(axes) < 0 or any(vertices.properties[a].count_kind for a in axes):
        raise ScanFileError("the header's vertex element has no x, y and z; export the scan again")
    corner_list = faces.find(*_INDEX_NAMES)
    if corner_list < 0 or faces.properties[corner_list].count_kind is None:
        raise ScanFileError(
            "the header's face element has no list 'vertex_indices'; export the scan again"
        )
    if encoding == "ascii":
        points, counts, flat = _text_body(data, body, elements, axes, corner_list)
    else:
        points, counts, flat = _binary_body(data, body, elements, axes, corner_list, encoding)
    triangles = _fan(counts, flat)
    if len(triangles) > limits.max_triangles:
        raise ScanFileError(
            f"{len(triangles)} triangles, more than the {limits.max_triangles} allowed; "
            "reduce the scan before uploading"
        )
    if len(triangles) == 0:
        raise ScanFileError("no face has three corners; export the scan again")
    if triangles.min() < 0 or triangles.max() >= len(points):
        wrong = np.flatnonzero((flat < 0) | (flat >= len(points)))[0]
        face = int(np.searchsorted(np.cumsum(counts), wrong, side="right"))
        raise ScanFileError(
            f"face {face + 1} names vertex {int(flat[wrong])}, the file has {len(points)}; "
            "export the scan again"
        )
    return points, triangles, _ENCODINGS[encoding]


def _read_header(data: bytes) -> tuple[str, list[_Element], int]:
    """Return the encoding, the elements and the offset of the body."""
    head = data[:_MAX_HEADER_BYTES]
    mark = head.find(b"end_header")
    if mark < 0:
        raise ScanFileError("the header has no 'end_header'; the file is cut short or damaged")
    body = mark + len(b"end_header")
    while body < len(data) and data[body : body + 1] in (b" ", b"\t"):
        body += 1
    if data[body : body + 2] == b"\r\n":
        body += 2
    elif data[body : body + 1] in (b"\n", b"\r"):
        body += 1
    encoding = ""
    elements: list[_Element] = []
    for number, raw in enumerate(head[:mark].splitlines(), start=1):
        words = raw.decode("latin-1").split()
        if number == 1 or not words or words[0] in ("comment", "obj_info"):
            continue
        try:
            if words[0] == "format":
                encoding = words[1]
                if encoding not in _ENCODINGS:
                    raise ValueError
            elif words[0] == "element":
                count = int(words[2])
                if count < 0:
                    raise ValueError
                elements.append(_Element(words[1], count))
            elif words[0] == "property" and words[1] == "list":
                _TYPES[words[2]], _TYPES[words[3]]
                elements[-1].properties.append(
                    _Property(words[4], _TYPES[words[3]], _TYPES[words[2]])
                )
            elif words[0] == "property":
                elements[-1].properties.append(_Property(words[2], _TYPES[words[1]]))
            else:
                raise ValueError
        except (IndexError, KeyError, ValueError):
            raise ScanFileError(
                f"header line {number} is not understood; export the scan again"
            ) from None
    if not encoding:
        raise ScanFileError("the header names no format; export the scan again")
    if sum(len(element.properties) for element in elements) > _MAX_PROPERTIES:
        raise ScanFileError(f"more than {_MAX_PROPERTIES} properties; export the scan without them")
    return encoding, elements, body


def _cut_short(element: _Element, row: int) -> ScanFileError:
    return ScanFileError(
        f"the file ends inside {element.name} {row + 1} of {element.count}; "
        "it is cut short: export or upload it again"
    )


def _fan(counts: NDArray[np.int64], flat: NDArray[np.int64]) -> NDArray[np.int64]:
    """Cut polygons, given by corner counts and all corners in a row, into triangles."""
    if len(counts) and counts.min() == counts.max() == 3:
        return flat.reshape(-1, 3)
    pieces = np.maximum(counts - 2, 0)
    starts = np.cumsum(counts) - counts
    begin = np.repeat(starts, pieces)
    step = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.column_stack([flat[begin], flat[begin + step + 1], flat[begin + step + 2]])


# --- binary -------------------------------------------------------------------


@njit(cache=True, nogil=True)
def _walk(data, at, big, rows, sizes, count_sizes, wanted, starts, counts):  # type: ignore[no-untyped-def]
    """Find the list ``wanted`` in rows that hold lists.

    ``count_sizes`` is 0 for a scalar. Returns (rows read, position after them).
    """
    for row in range(rows):
        for item in range(sizes.size):
            if count_sizes[item] == 0:
                at += sizes[item]
                continue
            if at + count_sizes[item] > data.size:
                return row, at
            length = np.int64(0)
            for k in range(count_sizes[item]):
                shift = 8 * (count_sizes[item] - 1 - k if big else k)
                length |= np.int64(data[at + k]) << shift
            at += count_sizes[item]
            if item == wanted:
                starts[row] = at
                counts[row] = length
            at += length * sizes[item]
            if at > data.size:
                return row, at
        if at > data.size:
            return row, at
    return rows, at


def _binary_body(
    data: bytes,
    at: int,
    elements: list[_Element],
    axes: list[int],
    corner_list: int,
    encoding: str,
) -> tuple[NDArray[np.floating], NDArray[np.int64], NDArray[np.int64]]:
    order = "<" if encoding == "binary_little_endian" else ">"
    octets = np.frombuffer(data, dtype=np.uint8)
    points: NDArray[np.floating] | None = None
    for element in elements:
        sizes: NDArray[np.int64] = np.array(
            [int(p.kind[1]) for p in element.properties], dtype=np.int64
        )
        if not element.has_lists:
            width = int(sizes.sum())
            if at + width * element.count > len(data):
                raise _cut_short(element, (len(data) - at) // max(width, 1))
            if element.name == "vertex" and points is None:
                points = _columns(octets, at, element, axes, sizes, width, order)
            at += width * element.count
            continue
        if any(p.count_kind in ("f4", "f8") for p in element.properties):
            raise ScanFileError(f"a list of {element.name} is counted in fractions; export again")
        if element.name == "vertex":
            raise ScanFileError("vertices with lists are not supported; export without them")
        smallest = sum(int((p.count_kind or p.kind)[1]) for p in element.properties)
        if at + smallest * element.count > len(data):
            raise _cut_short(element, (len(data) - at) // smallest)
        count_sizes = np.array(
            [int(p.count_kind[1]) if p.count_kind else 0 for p in element.properties],
            dtype=np.int64,
        )
        mine = element.name == "face"
        starts = np.zeros(element.count, dtype=np.int64)
        counts = np.zeros(element.count, dtype=np.int64)
        done, end = _walk(
            octets, at, order == ">", element.count, sizes, count_sizes,
            corner_list if mine else -1, starts, counts,
        )  # fmt: skip
        at = int(end)
        if done < element.count:
            raise _cut_short(element, done)
        if mine:
            flat = _gather(octets, starts, counts, order + element.properties[corner_list].kind)
            faces = counts, flat
    if points is None:
        raise ScanFileError("the header lists no vertices; export the scan again")
    return points, *faces


def _columns(
    octets: NDArray[np.uint8],
    at: int,
    element: _Element,
    axes: list[int],
    sizes: NDArray[np.int64],
    width: int,
    order: str,
) -> NDArray[np.floating]:
    """Return x, y and z of a fixed-width element."""
    offsets = np.cumsum(sizes) - sizes
    layout = np.dtype(
        {
            "names": ["x", "y", "z"],
            "formats": [order + element.properties[axis].kind for axis in axes],
            "offsets": [int(offsets[axis]) for axis in axes],
            "itemsize": width,
        }
    )
    rows = octets[at : at + width * element.count].view(layout)
    kinds = {element.properties[axis].kind for axis in axes}
    target = np.float32 if kinds == {"f4"} else np.float64
    points = np.empty((element.count, 3), dtype=target)
    for column, axis in enumerate("xyz"):
        points[:, column] = rows[axis]
    return points


def _gather(
    octets: NDArray[np.uint8],
    starts: NDArray[np.int64],
    counts: NDArray[np.int64],
    kind: str,
) -> NDArray[np.int64]:
    """Return the entries of all lists in a row as integers."""
    size = int(kind[-1])
    if len(counts) and counts.min() == counts.max():
        length = int(counts[0])
        windows = np.lib.stride_tricks.sliding_window_view(octets, max(length * size, 1))
        packed = windows[starts] if length else np.empty((0, 0), dtype=np.uint8)
        values = np.ascontiguousarray(packed).reshape(-1).view(kind)
    else:
        first = np.repeat(starts - (np.cumsum(counts) - counts) * size, counts)
        places = first + np.arange(int(counts.sum())) * size
        values = octets[places[:, None] + np.arange(size)].reshape(-1).view(kind)
    if kind[-2] == "f":
        with np.errstate(invalid="ignore"):
            whole = values == np.floor(values)
            return np.where(whole & (np.abs(values) < 2**53), values, -1).astype(np.int64)
    return values.astype(np.int64)


# --- text ---------------------------------------------------------------------


@njit(cache=True, nogil=True)
def _text_lists(values, at, rows, is_list, wanted, places, counts):  # type: ignore[no-untyped-def]
    """Find the list ``wanted`` among numbers in a row; return (rows read, position)."""
    for row in range(rows):
        for item in range(is_list.size):
            if at >= values.size:
                return row, at
            if not is_list[item]:
                at += 1
                continue
            length = values[at]
            at += 1
            if not (0.0 <= length <= values.size - at) or length != np.floor(length):
                return row, at
            if item == wanted:
                places[row] = at
                counts[row] = np.int64(length)
            at += np.int64(length)
    return rows, at


def _text_body(
    data: bytes, at: int, elements: list[_Element], axes: list[int], corner_list: int
) -> tuple[NDArray[np.floating], NDArray[np.int64], NDArray[np.int64]]:
    text = np.frombuffer(data, dtype=np.uint8)[at:]
    room = len(text) // 2 + 1
    values = np.empty(room, dtype=np.float64)
    slow = np.empty((room, 2), dtype=np.int64)
    count, slow_count, _ = read_numbers(text, 0, values, slow)
    bad = settle(data[at:], values, slow[:slow_count]) if slow_count else None
    if bad is not None:
        line = data.count(b"\n", 0, at + bad[1]) + 1
        raise ScanFileError(f"line {line}: expected a number; export the scan again")
    values = values[:count]
    points: NDArray[np.floating] | None = None
    place = 0
    for element in elements:
        columns = len(element.properties)
        if not element.has_lists:
            if place + columns * element.count > count:
                raise _cut_short(element, (count - place) // max(columns, 1))
            if element.name == "vertex" and points is None:
                block = values[place : place + columns * element.count]
                points = block.reshape(-1, columns)[:, axes].copy()
            place += columns * element.count
            continue
        if element.name == "vertex":
            raise ScanFileError("vertices with lists are not supported; export without them")
        if place + columns * element.count > count:
            raise _cut_short(element, (count - place) // columns)
        is_list = np.array([p.count_kind is not None for p in element.properties])
        mine = element.name == "face"
        places = np.zeros(element.count, dtype=np.int64)
        counts = np.zeros(element.count, dtype=np.int64)
        done, place = _text_lists(
            values, place, element.count, is_list, corner_list if mine else -1, places, counts
        )
        if done < element.count:
            raise _cut_short(element, done)
        if mine:
            first = np.repeat(places - (np.cumsum(counts) - counts), counts)
            entries = values[first + np.arange(int(counts.sum()))]
            whole = (entries == np.floor(entries)) & (np.abs(entries) < 2**53)
            faces = counts, np.where(whole, entries, -1).astype(np.int64)
    if points is None:
        raise ScanFileError("the header lists no vertices; export the scan again")
    return points, *faces

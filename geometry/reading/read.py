"""From the bytes of an uploaded file to a welded mesh in millimetres."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import PurePath

import numpy as np
from numba import njit

from geometry.errors import ScanFileError
from geometry.mesh import Mesh
from geometry.reading.limits import DEFAULT_READ_LIMITS, ReadLimits
from geometry.reading.obj import read_obj
from geometry.reading.ply import read_ply
from geometry.reading.scan_file import ScanFile
from geometry.reading.stl import is_binary_stl, read_binary_stl, read_text_stl
from geometry.reading.units import UNIT_IN_MM, guess_unit
from geometry.reading.weld import weld_corners, weld_indexed
from geometry.topology.adjacency import extent

_WORTH_A_THREAD = 1 << 20
_ARCHIVES = {
    b"PK\x03\x04": "a zip archive",
    b"PK\x05\x06": "a zip archive",
    b"\x1f\x8b": "a gzip archive",
    b"BZh": "a bzip2 archive",
    b"7z\xbc\xaf": "a 7z archive",
    b"\xfd7zXZ": "an xz archive",
    b"Rar!": "a rar archive",
    b"%PDF": "a PDF document",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
}


def read_mesh(
    data: bytes,
    name: str,
    units: str | None = None,
    *,
    limits: ReadLimits = DEFAULT_READ_LIMITS,
) -> ScanFile:
    """Read an STL, PLY or OBJ file and weld equal corners.

    The content decides the format; the name's ending only settles what the
    content leaves open. Archives are refused without being unpacked.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Its name, for messages.
    units : {"mm", "cm", "m", "in"}, optional
        Unit of the coordinates; guessed from the size when not given.
    limits : ReadLimits, optional

    Returns
    -------
    ScanFile
        The mesh is in millimetres.

    Raises
    ------
    ScanFileError
        One line that names the file, the place and the remedy.
    """
    shown = clean_name(name)
    if units is not None and units not in UNIT_IN_MM:
        raise ScanFileError(f"{shown}: unit '{units}' is not known; use mm, cm, m or in")
    if len(data) > limits.max_bytes:
        raise ScanFileError(
            f"{shown}: {len(data) / 2**20:.0f} MiB, more than the "
            f"{limits.max_bytes / 2**20:.0f} MiB allowed; export as binary STL or reduce the scan"
        )
    try:
        if len(data) < _WORTH_A_THREAD:
            kind, mesh, extent = _read(data, shown, limits)
            sha256 = _digest(data)
        else:
            # Hashing takes about as long as reading and runs beside it.
            with ThreadPoolExecutor(max_workers=1) as pool:
                digest = pool.submit(_digest, data)
                kind, mesh, extent = _read(data, shown, limits)
                sha256 = digest.result()
    except ScanFileError as error:
        raise ScanFileError(f"{shown}: {error}") from None
    unit = units or guess_unit(extent)
    scale = UNIT_IN_MM[unit]
    triangles = len(mesh.faces)
    if scale != 1.0:
        mesh = Mesh(mesh.vertices * scale, mesh.faces)
    return ScanFile(
        name=shown,
        format=kind,
        size=len(data),
        sha256=sha256,
        units=unit,
        units_assumed=units is None,
        scale_mm=scale,
        triangles_read=triangles,
        mesh=mesh,
    )


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _read(data: bytes, shown: str, limits: ReadLimits) -> tuple[str, Mesh, float]:
    """Return format, mesh and extent in the file's unit."""
    kind, mesh = _parse(data, shown, limits)
    return kind, mesh, _check_shape(mesh, limits)


def clean_name(name: str) -> str:
    """Return the base name, printable and short enough for one line."""
    base = PurePath(name.replace("\\", "/")).name
    shown = "".join(c if c.isprintable() else "?" for c in base)[:80]
    return shown or "file"


def _parse(data: bytes, shown: str, limits: ReadLimits) -> tuple[str, Mesh]:
    if not data:
        raise ScanFileError("the file is empty; export or upload the scan again")
    head = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n")
    for magic, what in _ARCHIVES.items():
        if data.startswith(magic):
            raise ScanFileError(f"this is {what}, not a mesh; upload the STL, PLY or OBJ file")
    if is_binary_stl(data):
        return "stl-binary", _soup(read_binary_stl(data, limits))
    if head[:3] == b"ply" and head[3:4] in (b"\n", b"\r", b" "):
        points, faces, kind = read_ply(data, limits)
        return kind, weld_indexed(points, faces)
    if head[:5].lower() == b"solid":
        return "stl-ascii", _soup(read_text_stl(data.removeprefix(b"\xef\xbb\xbf"), limits))
    if shown.lower().endswith(".stl"):
        return "stl-binary", _soup(read_binary_stl(data, limits))
    if shown.lower().endswith(".obj") or _looks_like_obj(data):
        return "obj", weld_indexed(*read_obj(data.removeprefix(b"\xef\xbb\xbf"), limits))
    raise ScanFileError("this is neither STL, PLY nor OBJ; export the scan in one of them")


def _looks_like_obj(data: bytes) -> bool:
    return any(line.startswith((b"v ", b"v\t")) for line in data[:4096].splitlines())


def _soup(corners: np.ndarray) -> Mesh:
    if len(corners) == 0:
        raise ScanFileError("the file holds no triangles; export or scan again")
    return weld_corners(corners)


@njit(cache=True, nogil=True)
def _has_area(points, faces, least):  # type: ignore[no-untyped-def]
    """Tell whether any triangle has a normal with a component above ``least``."""
    for row in range(faces.shape[0]):
        a, b, c = points[faces[row, 0]], points[faces[row, 1]], points[faces[row, 2]]
        for i in range(3):
            j = (i + 1) % 3
            if abs((b[i] - a[i]) * (c[j] - a[j]) - (b[j] - a[j]) * (c[i] - a[i])) > least:
                return True
    return False


def _check_shape(mesh: Mesh, limits: ReadLimits) -> float:
    """Return the largest side of the bounding box; refuse what is no surface."""
    low, high = extent(mesh.vertices)
    reach = float(max(np.abs(low).max(), np.abs(high).max()))
    if reach > limits.max_coordinate:
        raise ScanFileError(
            f"coordinates reach {reach:.3g}, which no scan does; export the scan again"
        )
    side = float((high - low).max())
    if not _has_area(mesh.vertices, mesh.faces, 1e-12 * side * side):
        raise ScanFileError("every triangle has zero area; export or scan again")
    return side

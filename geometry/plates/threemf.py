"""Write solids as 3MF (ISO/IEC 25422; core specification of the 3MF Consortium).

An OPC package (ISO/IEC 29500-2): a zip with a list of content types, a relation to the
model part, and the model part itself in XML. Same solids, same bytes: parts carry a
fixed time, and nothing about this machine or person is written.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import quoteattr

import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.plates.numerals import triangle_rows, vertex_rows

LONGEST_COORDINATE_MM = 100_000.0
_EPOCH = (1980, 1, 1, 0, 0, 0)
_LEVEL = 1
"""Deflate level: higher ones save a tenth of the size and take three times as long."""
_ROWS = 50_000
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_MODEL_TYPE = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
_HEAD = b'<?xml version="1.0" encoding="UTF-8"?>\n'
_TYPES = (
    f'<Types xmlns="{_PACKAGE}/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    f'<Default Extension="model" ContentType="{_MODEL_TYPE}"/></Types>\n'
).encode()
_RELATIONS = (
    f'<Relationships xmlns="{_PACKAGE}/relationships">'
    '<Relationship Id="rel0" Target="/3D/3dmodel.model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>\n"
).encode()
_UNWRITABLE = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 cannot hold."""


@dataclass(frozen=True)
class Part:
    """One solid of a 3MF file.

    Attributes
    ----------
    name : str
        Shown by programs that open the file; never a patient's name.
    solid : Mesh
        Closed, wound outwards, mm.
    transform : (4, 4) float64
        Where it stands on the plate; a rigid motion.
    """

    name: str
    solid: Mesh
    transform: NDArray[np.float64] = field(default_factory=lambda: np.eye(4))


def write_threemf(parts: Sequence[Part]) -> bytes:
    """Return a 3MF file of named solids, each built once.

    Parts that share one ``Mesh`` and name are stored once and placed several times.

    Parameters
    ----------
    parts : sequence of Part
        At least one. Coordinates are rounded to float32, as STL holds them.

    Returns
    -------
    bytes
        The same for the same parts.

    Raises
    ------
    GeometryError
        When there is nothing to write, a coordinate is not finite or beyond 100 m, or a
        transform mirrors.
    """
    if not parts:
        raise GeometryError("a 3MF file needs at least one solid; name the models to write")
    for part in parts:
        _check(part)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        _store(package, "[Content_Types].xml", [_HEAD + _TYPES])
        _store(package, "_rels/.rels", [_HEAD + _RELATIONS])
        _store(package, "3D/3dmodel.model", _model(parts))
    return out.getvalue()


def _check(part: Part) -> None:
    if len(part.solid.faces) == 0:
        raise GeometryError(f"{part.name}: the solid has no triangles; prepare it again")
    points = part.solid.vertices
    if not np.isfinite(points).all() or np.abs(points).max() > LONGEST_COORDINATE_MM:
        raise GeometryError(f"{part.name}: coordinates beyond 100 m or not finite; prepare again")
    if not np.linalg.det(part.transform[:3, :3]) > 0.0:
        raise GeometryError(f"{part.name}: the placement mirrors the model; use turn and shift")


def _store(package: zipfile.ZipFile, name: str, pieces: Iterator[bytes] | list[bytes]) -> None:
    info = zipfile.ZipInfo(name, _EPOCH)
    info.compress_type = zipfile.ZIP_DEFLATED
    info._compresslevel = _LEVEL  # type: ignore[attr-defined]
    info.create_system = 0
    info.external_attr = 0
    with package.open(info, "w") as file:
        for piece in pieces:
            file.write(piece)


def _model(parts: Sequence[Part]) -> Iterator[bytes]:
    yield _HEAD
    yield f'<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}">\n<resources>\n'.encode()
    numbers: dict[tuple[int, str], int] = {}
    for part in parts:
        key = (id(part.solid), part.name)
        if key in numbers:
            continue
        numbers[key] = len(numbers) + 1
        name = quoteattr(_UNWRITABLE.sub("?", part.name))
        yield f'<object id="{numbers[key]}" type="model" name={name}><mesh>\n<vertices>\n'.encode()
        for first in range(0, len(part.solid.vertices), _ROWS):
            yield vertex_rows(part.solid.vertices[first : first + _ROWS])
        yield b"</vertices>\n<triangles>\n"
        for first in range(0, len(part.solid.faces), _ROWS):
            yield triangle_rows(part.solid.faces[first : first + _ROWS])
        yield b"</triangles>\n</mesh></object>\n"
    yield b"</resources>\n<build>\n"
    for part in parts:
        number = numbers[(id(part.solid), part.name)]
        yield f'<item objectid="{number}"{_placement(part.transform)}/>\n'.encode()
    yield b"</build>\n</model>\n"


def _placement(transform: NDArray[np.float64]) -> str:
    """Return the transform attribute: rows of the matrix for row vectors, m00 … m32."""
    matrix = np.asarray(transform, dtype=np.float64)
    if np.array_equal(matrix, np.eye(4)):
        return ""
    numbers = np.concatenate([matrix[:3, :3].T.ravel(), matrix[:3, 3]])
    return ' transform="' + " ".join(format(float(n) + 0.0, ".9g") for n in numbers) + '"'

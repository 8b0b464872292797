"""Compile what reading needs before a person waits for it."""

from __future__ import annotations

from geometry.reading.read import read_mesh
from geometry.reading.write import write_stl

_CORNERS = ((0.0, 0.0, 0.0), (30.0, 0.0, 0.0), (0.0, 30.0, 0.0), (0.0, 0.0, 30.0))
_FACES = ((0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3))


def sample_files() -> dict[str, bytes]:
    """Return one tetrahedron in every format that is read, by file name."""
    facets = "".join(
        "facet normal 0 0 0\nouter loop\n"
        + "".join("vertex {} {} {}\n".format(*_CORNERS[corner]) for corner in face)
        + "endloop\nendfacet\n"
        for face in _FACES
    )
    rows = "".join("{} {} {}\n".format(*corner) for corner in _CORNERS)
    faces = "".join("3 {} {} {}\n".format(*face) for face in _FACES)
    ply = (
        "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\n"
        "property float z\nelement face 4\nproperty list uchar int vertex_indices\nend_header\n"
    )
    head = ply.encode()
    text_stl = f"solid a\n{facets}endsolid a\n".encode()
    obj = "".join(f"v {row}\n" for row in rows.splitlines()) + "".join(
        "f {} {} {}\n".format(*(corner + 1 for corner in face)) for face in _FACES
    )
    files = {"a.stl": text_stl, "a.ply": head + (rows + faces).encode(), "a.obj": obj.encode()}
    for mark, encoding in (("<", b"binary_little_endian"), (">", b"binary_big_endian")):
        body = b"".join(_pack(mark + "f4", corner) for corner in _CORNERS)
        body += b"".join(b"\x03" + _pack(mark + "i4", face) for face in _FACES)
        files[f"{encoding.decode()}.ply"] = head.replace(b"ascii", encoding, 1) + body
    files["b.stl"] = write_stl(read_mesh(text_stl, "a.stl", units="mm").mesh)
    return files


def _pack(kind: str, values: tuple[float, ...] | tuple[int, ...]) -> bytes:
    import numpy as np

    return np.array(values, dtype=kind).tobytes()


def warm() -> None:
    """Read one small file of each format."""
    for name, data in sample_files().items():
        read_mesh(data, name, units="mm")

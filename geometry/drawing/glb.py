"""Binary glTF 2.0 (ISO/IEC 12113:2022) of a mesh, small enough for a tablet."""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping

import fast_simplification
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.mesh import Mesh

LIMIT_BYTES = 1_500_000
ARRAY_BUFFER = 34962
ELEMENT_ARRAY_BUFFER = 34963
FLOAT, UNSIGNED_INT, UNSIGNED_SHORT = 5126, 5125, 5123


def mesh_glb(
    mesh: Mesh,
    attributes: Mapping[str, NDArray[np.floating]] | None = None,
    *,
    limit: int = LIMIT_BYTES,
) -> bytes:
    """Return ``mesh`` as a GLB of at most ``limit`` bytes, decimated when it must be.

    Parameters
    ----------
    mesh : Mesh
        Coordinates are kept as they are (mm).
    attributes : mapping of name to (n,) array, optional
        Scalars of the vertices, stored as custom attributes ``_NAME``; a vertex of the
        decimated mesh takes the value of the nearest original vertex.
    limit : int
        Bytes.

    Returns
    -------
    bytes
    """
    attributes = attributes or {}
    small = _decimated(mesh, _faces_within(limit, len(attributes)))
    values = {}
    if attributes:
        nearest = cKDTree(mesh.vertices).query(small.vertices)[1]
        for name, scalar in attributes.items():
            values[f"_{name.upper()}"] = np.asarray(scalar, dtype=np.float32)[nearest]
    return write_glb(small, values)


def solid_glb(solid: Mesh, *, limit: int = LIMIT_BYTES) -> bytes:
    """Return a print-ready model as a GLB."""
    return mesh_glb(solid, limit=limit)


def _faces_within(limit: int, scalars: int) -> int:
    """Return how many triangles fit: about half a vertex each, and three indices."""
    per_face = 0.52 * (12 + 4 * scalars) + 12
    return int((limit - 2000) / per_face)


def _decimated(mesh: Mesh, faces: int) -> Mesh:
    if len(mesh.faces) <= faces:
        used, inverse = np.unique(mesh.faces, return_inverse=True)
        return Mesh(mesh.vertices[used], inverse.reshape(-1, 3).astype(np.int32))
    share = 1.0 - faces / len(mesh.faces)
    points, triangles = fast_simplification.simplify(
        mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32), share
    )
    return Mesh(points.astype(np.float64), triangles.astype(np.int32))


def write_glb(mesh: Mesh, values: Mapping[str, NDArray[np.floating]]) -> bytes:
    """Return a mesh as it is as a GLB, with scalars of its vertices (n,) by attribute name."""
    points = np.ascontiguousarray(mesh.vertices, dtype="<f4")
    wide = len(points) > 65535
    indices = np.ascontiguousarray(mesh.faces.ravel(), dtype="<u4" if wide else "<u2")
    body = bytearray()
    views, accessors = [], []

    def add(data: NDArray, target: int, accessor: dict[str, object]) -> int:
        while len(body) % 4:
            body.append(0)
        views.append(
            {"buffer": 0, "byteOffset": len(body), "byteLength": data.nbytes, "target": target}
        )
        body.extend(data.tobytes())
        accessors.append(accessor | {"bufferView": len(views) - 1})
        return len(accessors) - 1

    low = points.min(axis=0).tolist() if len(points) else [0.0] * 3
    high = points.max(axis=0).tolist() if len(points) else [0.0] * 3
    primitive: dict[str, object] = {}
    named = {
        "POSITION": add(
            points,
            ARRAY_BUFFER,
            {"componentType": FLOAT, "count": len(points), "type": "VEC3", "min": low, "max": high},
        )
    }
    for name, scalar in values.items():
        data = np.ascontiguousarray(scalar, dtype="<f4")
        named[name] = add(
            data, ARRAY_BUFFER, {"componentType": FLOAT, "count": len(data), "type": "SCALAR"}
        )
    primitive["attributes"] = named
    primitive["indices"] = add(
        indices,
        ELEMENT_ARRAY_BUFFER,
        {
            "componentType": UNSIGNED_INT if wide else UNSIGNED_SHORT,
            "count": len(indices),
            "type": "SCALAR",
        },
    )
    while len(body) % 4:
        body.append(0)
    document = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [primitive]}],
        "buffers": [{"byteLength": len(body)}],
        "bufferViews": views,
        "accessors": accessors,
    }
    text = json.dumps(document, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    total = 12 + 8 + len(text) + 8 + len(body)
    return b"".join(
        [
            struct.pack("<4sII", b"glTF", 2, total),
            struct.pack("<I4s", len(text), b"JSON"),
            text,
            struct.pack("<I4s", len(body), b"BIN\0"),
            bytes(body),
        ]
    )

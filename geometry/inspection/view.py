"""What the 3D view loads: a light mesh with undercut depth, and lines over it."""

from __future__ import annotations

import json
import struct
from typing import Any

import fast_simplification
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.mesh import Mesh
from geometry.topology import Loop

MOST_TRIANGLES = 80_000
_ARRAY_BUFFER, _INDEX_BUFFER = 34962, 34963
_FLOAT, _UINT16, _UINT32 = 5126, 5123, 5125


def lighten(mesh: Mesh, triangles: int = MOST_TRIANGLES) -> Mesh:
    """Return a mesh of at most about ``triangles`` triangles, by quadric edge collapse."""
    if len(mesh.faces) <= triangles:
        return mesh
    points, faces = fast_simplification.simplify(
        mesh.vertices.astype(np.float32),
        mesh.faces,
        target_count=triangles,
        agg=5.0,
    )
    return Mesh(points.astype(np.float64), faces.astype(np.int32))


def glb(mesh: Mesh, depth_mm: NDArray[np.float64]) -> bytes:
    """Return a binary glTF 2.0 with one mesh and ``_UNDERCUT`` (mm) at each vertex.

    ``depth_mm`` (n,) belongs to the vertices of ``mesh``. Coordinates stay as they
    are, in mm.
    """
    light = lighten(mesh)
    if light is mesh:
        depth = depth_mm
    else:
        _, nearest = cKDTree(mesh.vertices).query(light.vertices)
        depth = depth_mm[nearest]
    points = np.ascontiguousarray(light.vertices, dtype="<f4")
    small = len(points) < 65535
    indices = np.ascontiguousarray(light.faces, dtype="<u2" if small else "<u4").ravel()
    parts = [points.tobytes(), depth.astype("<f4").tobytes(), indices.tobytes()]
    offsets = [0, len(parts[0]), len(parts[0]) + len(parts[1])]
    body = b"".join(parts)
    body += b"\0" * (-len(body) % 4)
    views = [
        {"buffer": 0, "byteOffset": offset, "byteLength": len(part), "target": target}
        for offset, part, target in zip(
            offsets, parts, (_ARRAY_BUFFER, _ARRAY_BUFFER, _INDEX_BUFFER), strict=True
        )
    ]
    head = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0, "_UNDERCUT": 1}, "indices": 2}]}],
        "buffers": [{"byteLength": len(body)}],
        "bufferViews": views,
        "accessors": [
            {
                "bufferView": 0,
                "componentType": _FLOAT,
                "count": len(points),
                "type": "VEC3",
                "min": points.min(axis=0).tolist(),
                "max": points.max(axis=0).tolist(),
            },
            {"bufferView": 1, "componentType": _FLOAT, "count": len(points), "type": "SCALAR"},
            {
                "bufferView": 2,
                "componentType": _UINT16 if small else _UINT32,
                "count": len(indices),
                "type": "SCALAR",
            },
        ],
    }
    text = json.dumps(head, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text
    chunks += struct.pack("<I4s", len(body), b"BIN\0") + body
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def line(
    layer: str,
    kind: str,
    points: NDArray[np.float64],
    *,
    closed: bool,
    normals: NDArray[np.float64] | None = None,
) -> dict[str, Any]:
    """Return one polyline of the overlays; ``normals`` lift it off the surface."""
    item: dict[str, Any] = {
        "layer": layer,
        "kind": kind,
        "closed": closed,
        "points": np.round(points, 3).tolist(),
    }
    if normals is not None:
        item["normals"] = np.round(normals, 3).tolist()
    return item


def loop_line(
    layer: str, loop: Loop, mesh: Mesh, normals: NDArray[np.float64], most: int = 400
) -> dict[str, Any]:
    """Return a border loop as an overlay of at most ``most`` points."""
    chain = loop.vertices[:: max(1, len(loop.vertices) // most)]
    return line(layer, layer, mesh.vertices[chain], closed=True, normals=normals[chain])

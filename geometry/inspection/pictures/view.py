"""What the 3D view loads: a light mesh with undercut depth, and lines over it."""

from __future__ import annotations

from typing import Any

import fast_simplification
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.drawing import write_glb
from geometry.mesh import Mesh
from geometry.topology import Loop

MOST_TRIANGLES = 80_000


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
    return write_glb(light, {"_UNDERCUT": depth})


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

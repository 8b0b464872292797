"""Binary STL out."""

from __future__ import annotations

import numpy as np

from geometry.mesh import Mesh
from geometry.reading.stl import _RECORD


def write_stl(mesh: Mesh) -> bytes:
    """Return a mesh as binary STL; the 80 header bytes are blank.

    Same mesh, same bytes. Coordinates are rounded to float32 as the format wants.
    """
    corners = mesh.triangles.astype("<f4")
    wide = corners.astype(np.float64)
    normals = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    records = np.zeros(len(corners), dtype=_RECORD)
    records["normal"] = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    records["corners"] = corners
    return b" " * 80 + len(corners).to_bytes(4, "little") + records.tobytes()

"""A coarser copy of a surface, by merging the vertices within each cell of a grid."""

from __future__ import annotations

import numpy as np
from numba import njit

from geometry.axes import along_basis, own_axes
from geometry.mesh import Mesh
from geometry.topology.adjacency import extent

_MOST_CELLS = 3e7


@njit(cache=True, nogil=True)
def _cluster(points, turned, faces, low, inverse, shape, vertex, sums, sizes, kept):  # type: ignore[no-untyped-def]
    """Merge the vertices within each cell; return (vertices, triangles kept)."""
    nx, ny, nz = shape
    table = np.full(nx * ny * nz, -1, dtype=np.int32)
    count = 0
    for v in range(points.shape[0]):
        i = int((turned[v, 0] - low[0]) * inverse)
        j = int((turned[v, 1] - low[1]) * inverse)
        k = int((turned[v, 2] - low[2]) * inverse)
        c = (i * ny + j) * nz + k
        if table[c] < 0:
            table[c] = count
            sums[count] = 0.0
            sizes[count] = 0
            count += 1
        vertex[v] = table[c]
        for axis in range(3):
            sums[table[c], axis] += points[v, axis]
        sizes[table[c]] += 1
    for c in range(count):
        for axis in range(3):
            sums[c, axis] /= sizes[c]
    triangles = 0
    for t in range(faces.shape[0]):
        a, b, c = vertex[faces[t, 0]], vertex[faces[t, 1]], vertex[faces[t, 2]]
        if a != b and b != c and c != a:
            kept[triangles, 0] = a
            kept[triangles, 1] = b
            kept[triangles, 2] = c
            triangles += 1
    return count, triangles


def coarsen(mesh: Mesh, cell_mm: float) -> Mesh:
    """Return a mesh with one vertex for each occupied cell of a grid along its own axes."""
    turned = along_basis(mesh.vertices, own_axes(mesh.vertices))
    low, high = extent(turned)
    shape = np.floor((high - low) / cell_mm).astype(np.int64) + 1
    while float(np.prod(shape.astype(float))) > _MOST_CELLS:
        cell_mm *= 1.5
        shape = np.floor((high - low) / cell_mm).astype(np.int64) + 1
    vertex = np.empty(len(mesh.vertices), dtype=np.int32)
    sums = np.empty((len(mesh.vertices), 3))
    sizes = np.empty(len(mesh.vertices), dtype=np.int32)
    kept = np.empty((len(mesh.faces), 3), dtype=np.int32)
    count, triangles = _cluster(
        mesh.vertices, turned, mesh.faces, low, 1.0 / cell_mm, tuple(int(n) for n in shape),
        vertex, sums, sizes, kept,
    )  # fmt: skip
    return Mesh(sums[:count].copy(), kept[:triangles].copy())

"""The triangle mesh that the whole package passes around."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Mesh:
    """An indexed triangle mesh.

    Attributes
    ----------
    vertices : (n, 3) float64, mm
    faces : (m, 3) int32
        Indices into ``vertices``; counter-clockwise seen from outside where
        the winding is consistent.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]

    @property
    def triangles(self) -> NDArray[np.float64]:
        """Corner coordinates, shape (m, 3, 3), mm."""
        return self.vertices[self.faces]

    def transformed(self, matrix: NDArray[np.float64]) -> Mesh:
        """Return a copy moved by a 4 × 4 homogeneous matrix (rigid or similarity)."""
        m = np.asarray(matrix, dtype=np.float64)
        return Mesh(self.vertices @ m[:3, :3].T + m[:3, 3], self.faces)

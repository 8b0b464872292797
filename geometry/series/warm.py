"""Compile what checking a series needs, on a tiny body."""

from __future__ import annotations

import numpy as np

from geometry.mesh import Mesh
from geometry.series.surface import Surface


def warm() -> None:
    """Run every compiled function of the package once."""
    points = np.array([[0, 0, 0], [4, 0, 0], [0, 3, 0], [0, 0, 2]], dtype=np.float64)
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32)
    Surface.of(Mesh(points, faces)).nearest(np.array([[1.0, 1.0, 1.0]]), 2.0)

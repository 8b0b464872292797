"""Compile the undercut before a person waits for it."""

from __future__ import annotations

import numpy as np

from geometry.mesh import Mesh
from geometry.undercut.directions import best_direction
from geometry.undercut.measure import measure


def warm() -> None:
    """Measure a small tent."""
    vertices = np.array([[0, 0, 4], [3, 0, 0], [0, 3, 0], [-3, 0, 0], [0, -3, 0]], dtype=float)
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 1]], dtype=np.int32)
    tent = Mesh(vertices, faces)
    axis = np.array([0.0, 0.0, 1.0])
    found = measure(tent, axis)
    found.areas_by_gauge(tent, np.zeros(5, dtype=np.int64), 1)
    best_direction(tent, axis)

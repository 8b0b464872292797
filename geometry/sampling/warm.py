"""Compile the sampling measures before a person waits for them."""

from __future__ import annotations

import numpy as np

from geometry.mesh import Mesh
from geometry.sampling.bumps import find_bumps
from geometry.sampling.measure import measure
from geometry.topology import analyse


def warm() -> None:
    """Measure a small pyramid."""
    vertices = np.array([[0, 0, 3], [1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]], dtype=float)
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 1]], dtype=np.int32)
    tent = Mesh(vertices, faces)
    measure(analyse(tent, self_intersections=False), 1.0)
    find_bumps(tent, vertices[1:], np.array([0.0, 0.0, 1.0]), 3.0, 1, 0.3)

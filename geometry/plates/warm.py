"""Compile what nesting needs, on a tiny plate."""

from __future__ import annotations

import numpy as np

from geometry.mesh import Mesh
from geometry.plates.layout import Item
from geometry.plates.nesting import nest


def warm() -> None:
    """Run every compiled function of the package once."""
    points = np.array([[0, 0, 0], [4, 0, 0], [0, 3, 0], [0, 0, 2]], dtype=np.float64)
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32)
    solid = Mesh(points, faces)
    nest([Item(str(k), solid) for k in range(6)], (7.0, 5.0), 0.5).threemf()

"""Compile the sampling measures before a person waits for them."""

from __future__ import annotations

import numpy as np

from geometry.mesh import Mesh
from geometry.sampling.bumps import find_bumps
from geometry.sampling.measure import measure
from geometry.sampling.thinning import some_of
from geometry.sampling.webs import Groove, find_webs
from geometry.topology import analyse


def warm() -> None:
    """Measure a small pyramid and a hill, and look into a groove."""
    vertices = np.array([[0, 0, 3], [1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]], dtype=float)
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 1]], dtype=np.int32)
    tent = Mesh(vertices, faces)
    measure(analyse(tent, self_intersections=False), 1.0)
    some_of(vertices, 1)
    x, y = np.meshgrid(np.arange(9.0), np.arange(9.0), indexing="ij")
    hill = np.column_stack([x.ravel(), y.ravel(), np.exp(-((x - 4) ** 2 + (y - 4) ** 2).ravel())])
    a = (9 * np.arange(8)[:, None] + np.arange(8)).ravel()
    squares = np.concatenate(
        [np.column_stack([a, a + 9, a + 1]), np.column_stack([a + 1, a + 9, a + 10])]
    )
    find_bumps(Mesh(hill, squares.astype(np.int32)), hill[:9], hill[0], np.eye(3), 1, 0.3)
    groove = Groove(hill[40], np.eye(3)[0], np.eye(3)[1], -4.0, 0.0)
    find_webs(Mesh(hill, squares.astype(np.int32)), hill[:9], np.eye(3)[2], 1, [groove])

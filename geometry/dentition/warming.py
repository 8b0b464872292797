"""A tiny made-up arch that exercises every compiled path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.mesh import Mesh

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ToyFrame:
    """Axes of the toy arch: the file's own."""

    origin: Array
    right: Array
    anterior: Array
    occlusal: Array
    arch: str


def toy_arch() -> tuple[Mesh, ToyFrame]:
    """A ribbed horseshoe ridge as an open sheet, with its frame; about 4,000 triangles."""
    along = np.linspace(-np.pi * 0.62, np.pi * 0.62, 160)
    across = np.linspace(-1.0, 1.0, 14)
    t, v = np.meshgrid(along, across, indexing="ij")
    bumps = 0.6 * np.abs(np.cos(t * 5.6)) ** 0.5
    radius = 25.0 + 4.0 * np.sign(v) * np.minimum(np.abs(v) * 2.0, 1.0) * (0.8 + 0.3 * bumps)
    height = -14.0 * np.clip(np.abs(v) * 2.0 - 1.0, 0.0, 1.0) + bumps - 0.6
    points = np.stack([radius * np.sin(t), radius * np.cos(t), height], axis=-1).reshape(-1, 3)
    n, m = t.shape
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij")
    a = (i * m + j).ravel()
    faces = np.concatenate([
        np.stack([a, a + 1, a + m], axis=1), np.stack([a + 1, a + m + 1, a + m], axis=1)
    ])
    eye = np.eye(3)
    frame = ToyFrame(np.zeros(3), eye[0], eye[1], eye[2], "lower")
    return Mesh(points, faces.astype(np.int32)), frame

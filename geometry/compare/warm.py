"""Compiled code made ready before anybody waits for it."""

from __future__ import annotations

import numpy as np

from geometry.compare.samples import take_samples
from geometry.compare.start import first_guesses
from geometry.frame import warm as warm_frame
from geometry.mesh import Mesh


def warm() -> None:
    """Compile (or load from the cache) everything that registration uses."""
    warm_frame()
    grid = np.arange(8.0)
    x, y = np.meshgrid(grid, grid)
    vertices = np.stack([x.ravel(), y.ravel(), 0.1 * x.ravel() ** 2], axis=1)
    corner = (np.arange(7)[:, None] * 8 + np.arange(7)).ravel()
    faces = np.concatenate(
        [
            np.stack([corner, corner + 1, corner + 9], axis=1),
            np.stack([corner, corner + 9, corner + 8], axis=1),
        ]
    ).astype(np.int32)
    take_samples(Mesh(vertices, faces), 0.5)
    first_guesses(vertices[:6], vertices[:6], 1)

"""Compiled code made ready before anybody waits for it."""

from __future__ import annotations

import numpy as np

from geometry.frame.frame import find_frame
from geometry.mesh import Mesh


def warm() -> None:
    """Compile (or load from the cache) everything that finding a frame uses.

    Runs once over a small row of bumps along an arch.
    """
    s = np.linspace(-1.0, 1.0, 241)
    t = np.linspace(-6.0, 6.0, 25)
    x, y = 27.0 * np.sin(1.5 * s), 40.0 * np.cos(1.5 * s)
    outward = np.stack([x, y], axis=1)
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    notch = np.abs(np.sin(7.0 * np.pi * s))
    height = (5.0 * np.sqrt(notch))[:, None] * np.clip(1.2 - np.abs(t) / 5.0, 0.0, 1.0)
    height = height - np.abs(t) - 2.0
    vertices = np.empty((s.size, t.size, 3))
    vertices[:, :, :2] = np.stack([x, y], axis=1)[:, None] + outward[:, None] * t[:, None]
    vertices[:, :, 2] = height
    corner = np.arange(s.size - 1)[:, None] * t.size + np.arange(t.size - 1)
    corner = corner.ravel()
    faces = np.concatenate(
        [
            np.stack([corner, corner + 1, corner + t.size + 1], axis=1),
            np.stack([corner, corner + t.size + 1, corner + t.size], axis=1),
        ]
    ).astype(np.int32)
    find_frame(Mesh(vertices.reshape(-1, 3), faces))

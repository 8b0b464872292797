"""Compile everything before a person waits for it."""

from __future__ import annotations

import numpy as np

from geometry import dentition, reading, sampling, topology, undercut
from geometry.errors import GeometryError
from geometry.frame.warm import warm as warm_frame
from geometry.inspection.inspect import inspect_scan
from geometry.mesh import Mesh
from geometry.reading import write_stl


def warm() -> None:
    """Run every compiled part once: on small shapes, and on a rough arch as a whole."""
    reading.warm()
    warm_frame()
    dentition.warm()
    topology.warm()
    undercut.warm()
    sampling.warm()
    try:
        found = inspect_scan(write_stl(rough_arch()), "warm-up.stl", arch="lower", units="mm")
        found.picture(320, 240)
        found.view_glb()
    except GeometryError:
        # The shape only has to reach the code, not to be recognised.
        return


def rough_arch() -> Mesh:
    """Return a horseshoe of fourteen rounded blocks on a ridge, about an arch's size."""
    across, along = 60, 420
    turn = np.linspace(-1.0, 1.0, along)
    middle = np.column_stack([26.0 * np.sin(turn * 1.5), 44.0 * np.cos(turn * 1.5) - 44.0])
    step = np.gradient(middle, axis=0)
    out = np.column_stack([step[:, 1], -step[:, 0]])
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    out *= np.sign((out * (middle - [0.0, -44.0])).sum(axis=1))[:, None]
    tooth = np.abs(np.sin(turn * 7.0 * np.pi)) ** 0.5
    around = np.linspace(-1.0, 1.0, across)
    # From the facial border over the crowns to the lingual border.
    wide = 4.0 * np.sign(around) * np.minimum(1.0, np.abs(around) * 2.2) ** 0.6
    fall = np.clip(np.abs(around) - 0.45, 0.0, None) / 0.55
    height = 8.0 * (1.0 - fall)[None, :] * (0.55 + 0.45 * tooth[:, None]) - 10.0 * fall[None, :]
    width = wide[None, :] * (0.75 + 0.25 * tooth[:, None])
    points = np.empty((along, across, 3))
    points[:, :, :2] = middle[:, None, :] + out[:, None, :] * width[:, :, None]
    points[:, :, 2] = height
    i, j = (a.ravel() for a in np.meshgrid(range(along - 1), range(across - 1), indexing="ij"))
    a = i * across + j
    quads = np.column_stack([a, a + across, a + across + 1, a, a + across + 1, a + 1])
    return Mesh(points.reshape(-1, 3), quads.reshape(-1, 3).astype(np.int32))

"""Rigid motions that more than one registration uses."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation


def small_motion(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the 4 × 4 motion of a rotation vector (rad) and a translation (6 numbers)."""
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec(vector[:3]).as_matrix()
    motion[:3, 3] = vector[3:]
    return motion

"""Stand a scan up as a model: teeth up, front teeth towards −y, never mirrored."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.axes import ArchAxes

Array = NDArray[np.float64]

# How far behind the most anterior edge the incisors reach, and what counts as a crown.
INCISOR_DEPTH = 6.0
CROWN_DROP = 4.0
CROWN_REACH = 5.0
CROWN_RISE = 3.0
"""Nothing of a crown stands higher, mm, than the place known as its tip."""


def model_axes(frame: ArchAxes, pitch: float = 0.0, roll: float = 0.0) -> Array:
    """Return the rotation (3, 3) from file to model axes.

    Model z is occlusal, y posterior. x follows as y × z, which is the patient's
    right on an upper arch and the patient's left on a lower one; nothing is
    mirrored, so the determinant is +1.

    Parameters
    ----------
    frame : ArchAxes
    pitch, roll : float
        Nudge in degrees; positive pitch lowers the front teeth, positive roll
        lowers the teeth at the patient's right.
    """
    z = np.asarray(frame.occlusal, dtype=np.float64)
    z = z / np.linalg.norm(z)
    y = -np.asarray(frame.anterior, dtype=np.float64)
    y = y - (y @ z) * z
    y = y / np.linalg.norm(y)
    x = np.cross(y, z)
    # A point in front has y < 0: turning about +x by the pitch lowers it.
    right_is_plus_x = float(x @ np.asarray(frame.right, dtype=np.float64)) >= 0.0
    a = np.radians(pitch)
    b = np.radians(roll) * (1.0 if right_is_plus_x else -1.0)
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    return np.asarray(about_y @ about_x @ np.vstack((x, y, z)))


@njit(cache=True, nogil=True)
def _highest_beside(z: Array, faces: NDArray[np.int32]) -> Array:
    out = np.full(len(z), -np.inf)
    for f in range(len(faces)):
        for k in range(3):
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            out[a] = max(out[a], z[b])
            out[b] = max(out[b], z[a])
    return out


def without_spikes(z: Array, faces: NDArray[np.int32], rise: float) -> Array:
    """Return heights in which no vertex stands more than ``rise`` over all its neighbours."""
    highest = _highest_beside(np.ascontiguousarray(z), faces)
    return np.where(z > highest + rise, highest, z)


def incisal_height(
    points: Array, faces: NDArray[np.int32], teeth: dict[int, Array] | None = None
) -> float:
    """Return the height of the highest incisal edge in model axes.

    A single vertex that sticks out (a spike of the scanner) is not an edge.

    Parameters
    ----------
    points : (n, 3) float64
    faces : (m, 3) int32
    teeth : dict, optional
        Centre of each crown at its tip (3,) in model axes by ISO 3950 number. Where no incisor
        is among them, the incisors are what stands within ``INCISOR_DEPTH`` behind the
        most anterior crown.
    """
    z = without_spikes(points[:, 2], faces, 0.4)
    incisal = np.array([number % 10 <= 2 for number in teeth or ()], dtype=bool)
    if teeth and incisal.any():
        centres = np.array(list(teeth.values()))
        rows = np.flatnonzero(z > centres[:, 2].min() - CROWN_DROP)
        far, nearest = cKDTree(centres[:, :2]).query(points[rows, :2])
        # A cheek that was scanned along may stand far higher than the crowns beside it.
        near = (far < CROWN_REACH) & (z[rows] < centres[nearest, 2] + CROWN_RISE)
        mine = rows[incisal[nearest] & near]
        if len(mine):
            return float(z[mine].max())
    crowns = z > z.max() - CROWN_DROP
    front = points[crowns, 1].min()
    return float(z[crowns & (points[:, 1] < front + INCISOR_DEPTH)].max())

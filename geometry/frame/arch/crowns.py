"""The crowns as a band in the plane, seen along the occlusal axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.frame.plane import OcclusalPlane
from geometry.frame.relief import Relief

BAND_DEPTH_MM = 2.5
"""A cell belongs to a crown when it is this little below the nearest tip at most."""

BAND_REACH_MM = 4.0
THIN_MM = 1.5


def crown_points(
    relief: Relief, rotation: NDArray[np.float64], plane: OcclusalPlane
) -> NDArray[np.float64]:
    """Return plane points spread evenly over the biting surfaces, shape (n, 2), mm.

    ``rotation`` is the one that the relief was made with.
    """
    tips = plane.tips.points @ rotation.T
    rows, columns = np.nonzero(relief.index >= 0)
    z = relief.z[rows, columns]
    near = np.abs(z - plane.level) < 6.0
    rows, columns, z = rows[near], columns[near], z[near]
    every = max(1, round(THIN_MM / relief.cell / 2))
    thin = (rows % every == 0) & (columns % every == 0)
    xy = np.stack(
        [relief.x0 + columns[thin] * relief.cell, relief.y0 + rows[thin] * relief.cell], axis=1
    )
    distance, nearest = cKDTree(tips[:, :2]).query(xy, distance_upper_bound=BAND_REACH_MM)
    hit = np.isfinite(distance)
    hit[hit] = z[thin][hit] > tips[nearest[hit], 2] - BAND_DEPTH_MM
    if not hit.any():
        return np.ascontiguousarray(tips[:, :2])
    return np.ascontiguousarray(xy[hit])

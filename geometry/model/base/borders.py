"""Cut a scan's border back where walls under it would cross the surface."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.model.surface.halfedges import Faces
from geometry.model.surface.kinds import STAND_IN
from geometry.model.surface.mending import Spot, joined_spots
from geometry.model.surface.skin import Skin, without

Array = NDArray[np.float64]

BORDER = "border"


@njit(cache=True, nogil=True)
def around(vertices: Array, faces: Faces, places: Array, reach: Array) -> NDArray[np.bool_]:
    """Mark the faces with their middle within a reach (k,) of one of some places (k, 3)."""
    out = np.zeros(len(faces), dtype=np.bool_)
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for n in range(len(places)):
        for k in range(3):
            low[k] = min(low[k], places[n, k] - reach[n])
            high[k] = max(high[k], places[n, k] + reach[n])
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        x = (vertices[a, 0] + vertices[b, 0] + vertices[c, 0]) / 3.0
        y = (vertices[a, 1] + vertices[b, 1] + vertices[c, 1]) / 3.0
        z = (vertices[a, 2] + vertices[b, 2] + vertices[c, 2]) / 3.0
        if x < low[0] or y < low[1] or z < low[2] or x > high[0] or y > high[1] or z > high[2]:
            continue
        for n in range(len(places)):
            dx, dy, dz = x - places[n, 0], y - places[n, 1], z - places[n, 2]
            if dx * dx + dy * dy + dz * dz < reach[n] * reach[n]:
                out[f] = True
                break
    return out


def step_back(skin: Skin, places: Array, reach: Array) -> tuple[Skin, list[Spot]]:
    """Take away the faces within a reach (k,) of each of some places; also return where."""
    gone = around(skin.vertices, skin.faces, places, reach) & (skin.kind != STAND_IN)
    rest, _, lost = without(skin, gone)
    taken = np.concatenate((skin.vertices[skin.faces[gone]], lost))
    return rest, taken_spots(taken.mean(axis=1))


def taken_spots(points: Array) -> list[Spot]:
    """Join points (k, 3) of what was taken away at the border to places."""
    return joined_spots([Spot(BORDER, point, 0.3) for point in points])

"""What closing a scan costs: how much of it lies beyond its new border."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.model.bodies.solids import shared
from geometry.model.surface.halfedges import Faces
from geometry.model.surface.skin import Skin, tails

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]


def lost(skin: Skin, rest: Skin, tag: int) -> float:
    """Sum the squares of how far, mm, vertices that are gone lie from the new border.

    Parameters
    ----------
    skin, rest : Skin
        Before and after.
    tag : int
        Only vertices of faces with this tag count.
    """
    count = len(skin.vertices)
    own = _tagged(skin.faces, skin.kind, tag, count)
    left = _tagged(rest.faces, rest.kind, tag, len(rest.vertices))
    if np.array_equal(rest.vertices[:count], skin.vertices):
        gone = skin.vertices[own & ~left[:count]]
    else:  # numbered anew where it was cut by a plane
        gone = skin.vertices[own]
        gone = gone[~shared(gone, rest.vertices[left])]
    return float(_far(rest, gone).sum()) if len(gone) else 0.0


def _far(rest: Skin, points: Array) -> Array:
    """Return the squared distances of points from a border."""
    rim = rest.vertices[tails(rest, np.flatnonzero(rest.opposite < 0))]
    return np.asarray(cKDTree(rim).query(points)[0] ** 2)


@njit(cache=True, nogil=True)
def _tagged(faces: Faces, kind: NDArray[np.int8], tag: int, count: int) -> Marks:
    """Mark the vertices of faces with a tag."""
    out = np.zeros(count, dtype=np.bool_)
    for f in range(len(faces)):
        if kind[f] == tag:
            for k in range(3):
                out[faces[f, k]] = True
    return out

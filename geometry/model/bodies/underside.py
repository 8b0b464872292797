"""The flat base of a solid, which is one outline filled."""

from __future__ import annotations

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.model.bodies.combining import rims
from geometry.model.bodies.solids import odd_vertices
from geometry.model.surface.halfedges import Faces, compact

Array = NDArray[np.float64]


def cap(outlines: list[Array]) -> NDArray[np.int32]:
    """Triangulate a region of the plane.

    Parameters
    ----------
    outlines : list of (k, 2) float64
        Outer lines counter-clockwise, inner ones clockwise.

    Returns
    -------
    (m, 3) int32 indices into the concatenated points, counter-clockwise.
    """
    return np.asarray(manifold3d.triangulate(outlines), dtype=np.int32).reshape(-1, 3)


def folded_base(vertices: Array, faces: Faces) -> NDArray[np.bool_]:
    """Mark the faces at z = 0 that look up, and so lie over others of the base."""
    level = vertices[:, 2] == 0.0
    out = level[faces].all(axis=1)
    p = vertices[faces[out], :2]
    one, two = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    out[out] = one[:, 0] * two[:, 1] > one[:, 1] * two[:, 0]
    return out


def flat_base(vertices: Array, faces: Faces) -> tuple[Array, Faces]:
    """Lay the base of a solid anew where it is folded over itself.

    A patch in a wall may span the corners of a place of the base, and then lies on it: nothing
    crosses, but between the two there is no solid. The base is filled again inside the outline
    that all other faces have at z = 0.

    Parameters
    ----------
    vertices, faces
        Closed solid standing on z = 0.

    Returns
    -------
    vertices, faces
        As they were where nothing is folded, or that outline crosses itself.
    """
    if not folded_base(vertices, faces).any():
        return vertices, faces
    walls = faces[(vertices[faces, 2] != 0.0).any(axis=1)]
    # Walls have their rims on the right of the base: seen from above, outer ones run around it
    # counter-clockwise.
    lines = rims(vertices, walls)
    outlines = [vertices[line, :2] for line in lines]
    if (
        not outlines
        or not shapely.MultiLineString([shapely.LinearRing(o) for o in outlines]).is_simple
    ):
        return vertices, faces
    base = np.concatenate(lines)[cap(outlines)][:, ::-1]
    v, f, _ = compact(vertices, np.concatenate((walls, base)).astype(np.int32))
    if odd_vertices(f, len(v))[0].any() or folded_base(v, f).any():
        return vertices, faces
    return v, f

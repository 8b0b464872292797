"""Unions and differences of closed solids, and the final rounding to what a file holds."""

from __future__ import annotations

import manifold3d
import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.model.halfedges import Faces, compact, edge_keys

Array = NDArray[np.float64]

APART = 0.001
APART_ROUNDS = 5


def to_manifold(vertices: Array, faces: Faces) -> manifold3d.Manifold:
    """Return a closed triangle list as a body for boolean operations.

    Raises
    ------
    GeometryError
        The faces do not close.
    """
    body = manifold3d.Manifold(
        manifold3d.Mesh64(
            np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.uint64)
        )
    )
    if body.status() != manifold3d.Error.NoError:
        raise GeometryError(
            "the surface could not be closed into a solid; rescan, or trim the border and try again"
        )
    return body


def from_manifold(body: manifold3d.Manifold) -> tuple[Array, Faces]:
    """Return the vertices and faces of the largest piece of a body.

    Enclosed voids and specks that a boolean operation leaves behind are dropped.
    """
    parts = body.decompose()
    if len(parts) > 1:
        body = parts[int(np.argmax([part.volume() for part in parts]))]
    mesh = body.to_mesh64()
    vertices = np.array(mesh.vert_properties[:, :3], order="C")
    return vertices, np.array(mesh.tri_verts, dtype=np.int32, order="C")


def as_written(vertices: Array, faces: Faces) -> tuple[Array, Faces]:
    """Round to float32, as a file holds it, and keep the surface closed.

    A reader of a file joins what has equal coordinates. Vertices that become equal
    are joined here already; where that would make edges of four faces, because two
    parts of the surface touch, the parts are drawn apart by a thousandth of a
    millimetre.

    Raises
    ------
    GeometryError
        The surface would not stay closed.
    """
    for _ in range(APART_ROUNDS):
        rounded = vertices.astype(np.float32).astype(np.float64) + 0.0
        unique, inverse = np.unique(rounded, axis=0, return_inverse=True)
        inverse = inverse.reshape(-1)
        joined = inverse.astype(np.int32)[faces]
        a, b, c = joined.T
        joined = _without_folded(joined[(a != b) & (b != c) & (c != a)])
        keys, counts = np.unique(edge_keys(joined), return_counts=True)
        if (counts == 2).all():
            out_v, out_f, _ = compact(unique, joined)
            return out_v, out_f
        base = np.int64(joined.max()) + 1
        bad = keys[counts != 2]
        touching = np.isin(inverse, np.concatenate((bad // base, bad % base)))
        vertices = _drawn_in(rounded, faces, touching)
    raise GeometryError(
        "the model has details too fine to be written to a file; prepare it with another height"
        " or block-out depth"
    )


def _drawn_in(vertices: Array, faces: Faces, chosen: NDArray[np.bool_]) -> Array:
    """Move the chosen vertices a little towards the middle of their neighbours."""
    total = np.zeros_like(vertices)
    count = np.zeros(len(vertices))
    for a, b in ((0, 1), (1, 2), (2, 0)):
        np.add.at(total, faces[:, a], vertices[faces[:, b]])
        np.add.at(count, faces[:, a], 1.0)
    way = total[chosen] / count[chosen, None] - vertices[chosen]
    length = np.linalg.norm(way, axis=1, keepdims=True)
    out = vertices.copy()
    out[chosen] += APART * way / np.maximum(length, 1e-9)
    return out


def _without_folded(faces: Faces) -> Faces:
    """Drop pairs of faces with the same corners, wound against each other."""
    order = np.lexsort(np.sort(faces, axis=1).T)
    ranked = np.sort(faces[order], axis=1)
    same = (ranked[1:] == ranked[:-1]).all(axis=1)
    gone = np.zeros(len(faces), dtype=bool)
    gone[order[1:][same]] = True
    gone[order[:-1][same]] = True
    return faces[~gone]

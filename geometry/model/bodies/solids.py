"""Unions and differences of closed solids, and the final rounding to what a file holds."""

from __future__ import annotations

import manifold3d
import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.model.surface.halfedges import Faces, compact
from geometry.reading.weld import weld_indexed
from geometry.topology.edges import pair_half_edges
from geometry.topology.pieces import label_pieces, split_fans

Array = NDArray[np.float64]

APART = 0.001
APART_ROUNDS = 8
BEND = 0.003
BEND_LENGTH = 0.7


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


def bent(body: manifold3d.Manifold) -> manifold3d.Manifold:
    """Shift a body along smooth upright waves of a few thousandths of a millimetre.

    Upright walls of what is shaped on a lattice lie in its planes. Faces that share a plane
    look to some programs as if they crossed. The waves are far too gentle for faces to cross.
    """

    def waves(points: Array) -> Array:
        phase = 2.0 * np.pi / BEND_LENGTH
        x, y, z = np.asarray(points, dtype=np.float64).T
        across = np.sin(phase * (y + 0.62 * z)), np.sin(phase * (z + 0.62 * x))
        return np.column_stack((x + BEND * across[0], y + BEND * across[1], z))

    return body.warp_batch(waves)


def piece_of_faces(faces: Faces, count: int) -> NDArray[np.int32]:
    """Number the faces (m,) by the piece that they hang together with, by edges."""
    opposite = np.empty(3 * len(faces), dtype=np.int32)
    aside = np.zeros(len(faces), dtype=np.uint8)
    pair_half_edges(faces, count, aside, opposite, np.empty_like(aside))
    label = np.empty(len(faces), dtype=np.int32)
    label_pieces(opposite, aside, label)
    return label


def largest_piece(faces: Faces, count: int) -> Faces:
    """Return the faces of the piece with the most; enclosed voids and specks are dropped."""
    label = piece_of_faces(faces, count)
    size = np.bincount(label)
    return faces if len(size) < 2 else faces[label == int(np.argmax(size))]


def as_written(vertices: Array, faces: Faces) -> tuple[Array, Faces]:
    """Round to float32, as a file holds it, and keep the surface closed.

    A reader of a file joins what has equal coordinates. Vertices that become equal
    are joined here already; where two parts of the surface would then share an edge or
    a point, they are drawn apart by a few thousandths of a millimetre at most.

    Raises
    ------
    GeometryError
        The surface would not stay closed.
    """
    for attempt in range(APART_ROUNDS):
        rounded = vertices.astype(np.float32)
        welded = weld_indexed(rounded, faces)
        a, b, c = welded.faces.T
        flat = (a == b) | (b == c) | (c == a)
        joined = welded.faces[~flat] if flat.any() else welded.faces
        odd, doubled = odd_vertices(joined, len(welded.vertices))
        left = odd
        if doubled:
            joined = without_folded(joined)
            left, _ = odd_vertices(joined, len(welded.vertices))
        if not left.any():
            out_v, out_f, _ = compact(welded.vertices, joined)
            return out_v, out_f
        at_odd = (odd | left)[welded.faces]
        if attempt == 0:
            rounded, faces = _fans_apart(rounded, faces)
        touching = np.zeros(len(rounded), dtype=bool)
        touching[faces[at_odd]] = True
        vertices = _drawn_in(rounded.astype(np.float64), faces, touching, attempt)
    raise GeometryError(
        "the model has details too fine to be written to a file; prepare it with another height"
        " or block-out depth"
    )


def shared(points: Array, others: Array) -> NDArray[np.bool_]:
    """Tell which points (n, 3) are, as a file holds them, among some others (m, 3)."""
    if not len(points) or not len(others):
        return np.zeros(len(points), dtype=bool)
    both = np.vstack((others, points)).astype(np.float32)
    rows = np.resize(np.arange(len(both)), (-(-len(both) // 3), 3))
    number = weld_indexed(both, rows).faces.ravel()[: len(both)]
    return np.asarray(number[len(others) :] <= number[: len(others)].max())


def new_faces(vertices: Array, faces: Faces, before: Array) -> NDArray[np.bool_]:
    """Mark the faces with a corner that was not among the vertices ``before``."""
    return np.asarray(~shared(vertices, before)[faces].all(axis=1))


def odd_vertices(faces: Faces, count: int) -> tuple[NDArray[np.bool_], int]:
    """Mark the vertices where a surface is no closed sheet; also count faces that lie double.

    Those are the ends of edges that do not have two faces, points in which two parts
    touch, and the corners of double faces.
    """
    opposite = np.empty(3 * len(faces), dtype=np.int32)
    again = np.empty(len(faces), dtype=np.uint8)
    aside = np.zeros(len(faces), dtype=np.uint8)
    doubled = pair_half_edges(faces, count, aside, opposite, again)[3]
    odd = np.zeros(count, dtype=bool)
    odd[faces[again == 1].ravel()] = True
    bad = np.flatnonzero(opposite < 0)
    odd[faces[bad // 3, bad % 3]] = True
    odd[faces[bad // 3, (bad % 3 + 1) % 3]] = True
    opposite[bad] = -1
    fan = np.empty(3 * len(faces), dtype=np.int32)
    origin = np.empty(3 * len(faces), dtype=np.int32)
    fans = int(split_fans(faces, opposite, fan, origin, np.empty_like(fan)))
    odd[np.bincount(origin[:fans], minlength=count) > 1] = True
    return odd, int(doubled)


def odd_at(faces: Faces, count: int, made: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark the odd vertices, as of :func:`odd_vertices`, among the corners of some faces."""
    corner = np.zeros(count, dtype=bool)
    corner[faces[made].ravel()] = True
    # All that meets in those corners, and no more.
    _, near, old = compact(np.empty((count, 0)), faces[corner[faces].any(axis=1)])
    odd, _ = odd_vertices(near, len(old))
    out = np.zeros(count, dtype=bool)
    out[old[odd]] = True
    return out & corner


def _fans_apart(vertices: NDArray[np.float32], faces: Faces) -> tuple[NDArray[np.float32], Faces]:
    """Give each fan of faces around a vertex a vertex of its own."""
    opposite = np.empty(3 * len(faces), dtype=np.int32)
    aside = np.zeros(len(faces), dtype=np.uint8)
    pair_half_edges(faces, len(vertices), aside, opposite, np.empty_like(aside))
    opposite[opposite < 0] = -1
    corner = np.empty(3 * len(faces), dtype=np.int32)
    origin = np.empty(3 * len(faces), dtype=np.int32)
    count = int(split_fans(faces, opposite, corner, origin, np.empty_like(corner)))
    return vertices[origin[:count]], corner.reshape(-1, 3)


def _drawn_in(vertices: Array, faces: Faces, chosen: NDArray[np.bool_], attempt: int) -> Array:
    """Move the chosen vertices a little towards their neighbours or, in turn, inwards."""
    way = np.zeros_like(vertices)
    near = faces[chosen[faces].any(axis=1)]
    p = vertices[near]
    inwards = np.cross(p[:, 2] - p[:, 0], p[:, 1] - p[:, 0])
    for a, b in ((0, 1), (1, 2), (2, 0)):
        np.add.at(way, near[:, a], inwards if attempt % 2 else p[:, b] - p[:, a])
    way = way[chosen]
    length = np.linalg.norm(way, axis=1, keepdims=True)
    out = vertices.copy()
    out[chosen] += (APART * (1 + attempt)) * way / np.maximum(length, 1e-9)
    return out


def without_folded(faces: Faces) -> Faces:
    """Drop pairs of faces with the same corners, wound against each other."""
    order = np.lexsort(np.sort(faces, axis=1).T)
    ranked = np.sort(faces[order], axis=1)
    same = (ranked[1:] == ranked[:-1]).all(axis=1)
    gone = np.zeros(len(faces), dtype=bool)
    gone[order[1:][same]] = True
    gone[order[:-1][same]] = True
    return faces[~gone]

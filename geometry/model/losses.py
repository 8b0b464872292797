"""What of a scan is lost where its border is closed, place by place."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geometry.model.borders import taken_spots
from geometry.model.bridges import Bridges, Kind
from geometry.model.halfedges import Faces
from geometry.model.mending import Spot
from geometry.model.skin import Skin, tails, without
from geometry.model.solids import shared

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]

CELL = 1.0
APART = 3.0
"""What is gone farther from each other than about this, mm, belongs to different places."""
BESIDE = 4.0
"""Bridges and losses nearer than this, mm, have to do with a place."""


@dataclass(frozen=True, slots=True)
class Loss:
    """A place where faces were given up.

    Attributes
    ----------
    faces : (k,) int64
        Which, of the surface before.
    near : cKDTree
        Their middles.
    cost : float
        Sum of the squares of how far, mm, they lie from the new border.
    """

    faces: NDArray[np.int64]
    near: cKDTree
    cost: float

    def beside(self, other: Loss) -> bool:
        """Tell whether another loss is of the same place."""
        return bool((other.near.query(self.near.data)[0] < BESIDE).any())


@dataclass(slots=True)
class Way:
    """A way of closing a surface: what it gave up so far, and its bridges.

    Attributes
    ----------
    rest : Skin
        What is left of the surface.
    bridges : Bridges
    spots : list of Spot
        Where the surface was given up before the way began.
    """

    rest: Skin
    bridges: Bridges
    spots: list[Spot] = field(default_factory=list)

    def anew(self, skin: Skin, loss: Loss, kind: Kind) -> Way:
        """Begin anew at one place, with bridges of another kind there.

        Parameters
        ----------
        skin : Skin
            The surface before anything of it was given up.
        loss : Loss
            Of this way.
        kind : (widest, lean)
        """
        gone = gone_from(skin.vertices, skin.faces, self.rest.vertices, self.rest.faces)
        gone[loss.faces] = False
        rest, _, more = without(skin, gone)
        taken = np.concatenate((skin.vertices[skin.faces[gone]], more))
        bridges = self.bridges.anew(loss.near, BESIDE, kind)
        return Way(rest, bridges, taken_spots(taken.mean(axis=1)))


@njit(cache=True, nogil=True)
def gone_from(vertices: Array, faces: Faces, rest_vertices: Array, rest_faces: Faces) -> Marks:
    """Mark the faces that a surface lost; those left are still in order and in place.

    Parameters
    ----------
    vertices, faces
        The surface before.
    rest_vertices, rest_faces
        What is left of it; its vertices may have other numbers.
    """
    gone = np.ones(len(faces), dtype=np.bool_)
    n = 0
    for f in range(len(faces)):
        if n == len(rest_faces):
            break
        same = True
        for k in range(3):
            a, b = faces[f, k], rest_faces[n, k]
            for d in range(3):
                same = same and vertices[a, d] == rest_vertices[b, d]
        if same:
            gone[f] = False
            n += 1
    return gone


def losses(skin: Skin, rest: Skin) -> list[Loss]:
    """Return the places where a surface lost faces, what cost most first."""
    gone = np.flatnonzero(gone_from(skin.vertices, skin.faces, rest.vertices, rest.faces))
    if not len(gone):
        return []
    middles = skin.vertices[skin.faces[gone]].mean(axis=1)
    cost = _far(rest, middles)
    place = _places(middles)
    out = []
    for number in range(int(place.max()) + 1):
        own = place == number
        out.append(Loss(gone[own], cKDTree(middles[own]), float(cost[own].sum())))
    return sorted(out, key=lambda loss: -loss.cost)


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


def _places(points: Array) -> NDArray[np.int64]:
    """Number the places that points (n, 3) belong to."""
    cells, own = np.unique(np.floor(points / CELL).astype(np.int64), axis=0, return_inverse=True)
    tree = cKDTree(cells * CELL)
    pairs = tree.sparse_distance_matrix(tree, APART)
    number = connected_components(pairs, directed=False)[1]
    return np.asarray(number[own.ravel()], dtype=np.int64)


@njit(cache=True, nogil=True)
def _tagged(faces: Faces, kind: NDArray[np.int8], tag: int, count: int) -> Marks:
    """Mark the vertices of faces with a tag."""
    out = np.zeros(count, dtype=np.bool_)
    for f in range(len(faces)):
        if kind[f] == tag:
            for k in range(3):
                out[faces[f, k]] = True
    return out

"""Set aside the soft tissue that was scanned along, and find the frame of what is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from geometry.errors import GeometryError
from geometry.frame.frame import Frame, find_frame
from geometry.mesh import Mesh
from geometry.topology import Topology, analyse

ROUNDS = 2
"""A fold may hide another, or teeth, from above."""


@dataclass(frozen=True, slots=True)
class SoftTissue:
    """A fold of cheek or lip, or a tongue, that was left out.

    Attributes
    ----------
    centre : (3,) float64
        Middle of what was taken away, file coordinates, mm.
    area_mm2 : float
    lingual : bool
        True within the arch (a tongue), false outside of it (cheek or lip).
    """

    centre: NDArray[np.float64]
    area_mm2: float
    lingual: bool


@dataclass(frozen=True, slots=True)
class Cleared:
    """A scan without the soft tissue beside its arch."""

    topology: Topology
    frame: Frame
    set_aside: tuple[SoftTissue, ...] = ()


def clear(topology: Topology, frame: Frame) -> Cleared:
    """Return the scan and its frame without soft tissue; both as they are where there is none.

    Parameters
    ----------
    topology : Topology
        Its main piece is the scan; pieces beside it and the counts of faults stay.
    frame : Frame
        Of the main piece.
    """
    taken: list[SoftTissue] = []
    for _ in range(ROUNDS):
        if frame.flaps is None:
            break
        main = topology.main
        lingual, facial = frame.flaps.beyond(main.vertices)
        patch = _at_the_border(topology, lingual | facial)
        off = patch >= 0
        left = Mesh(main.vertices, main.faces[~off])
        try:
            found = analyse(left, self_intersections=False)
            anew = find_frame(found.main, frame.stated_arch)
        except GeometryError:
            break  # hardly anything is left: it was no soft tissue
        taken += _pieces(main, patch, lingual)
        topology = _within(topology, found, np.flatnonzero(~off))
        frame = anew
    return Cleared(topology, frame, tuple(taken))


def _at_the_border(topology: Topology, soft: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Return the patch of soft tissue of each triangle, -1 for none.

    Patches within the scan stay: taken away they would be holes.
    """
    off = np.asarray(soft[topology.main.faces].any(axis=1))
    half = np.flatnonzero(topology.opposite >= 0)
    one, other = half // 3, topology.opposite[half] // 3
    both = off[one] & off[other]
    links = coo_matrix((np.ones(int(both.sum())), (one[both], other[both])), (off.size, off.size))
    count, patch = connected_components(links, directed=False)
    outer = np.zeros(count, dtype=np.bool_)
    outer[patch[np.flatnonzero(topology.opposite < 0) // 3]] = True
    return np.where(off & outer[patch], patch, -1).astype(np.int32)


def _within(whole: Topology, part: Topology, faces: NDArray[np.intp]) -> Topology:
    """Return the part's surface and borders with the whole file's counts and numbers."""
    return replace(
        whole,
        main=part.main,
        vertex_map=whole.vertex_map[part.vertex_map],
        face_map=whole.face_map[faces[part.face_map]],
        opposite=part.opposite,
        area_mm2=part.area_mm2,
        border=part.border,
        holes=part.holes,
    )


def _pieces(main: Mesh, patch: NDArray[np.int32], lingual: NDArray[np.bool_]) -> list[SoftTissue]:
    """Return what is taken away, patch by patch."""
    off = patch >= 0
    corners = main.vertices[main.faces[off]]
    middle = corners.mean(axis=1)
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    within = np.asarray(lingual[main.faces[off]].any(axis=1))
    found = []
    for each in np.unique(patch[off]):
        mine = patch[off] == each
        size = float(area[mine].sum())
        if size > 0.0:
            centre = (middle[mine] * area[mine, None]).sum(axis=0) / size
            tongue = bool(within[mine].mean() > 0.5)
            found.append(SoftTissue(centre, size, tongue))
    return found

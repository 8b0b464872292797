"""Mend a surface: places where it crosses itself, and handles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.folds import find_folds
from geometry.model.halfedges import Faces
from geometry.model.handles import genus, handle_cuts
from geometry.model.patches import median_edge, patch_loop, rings_around, surroundings
from geometry.topology import analyse
from geometry.topology.intersections import find_intersections

Array = NDArray[np.float64]

ROUNDS = 7
MOST_HANDLES = 40
LONGEST_CUT = 45.0
KEPT = 2  # the base
BOX = 1.0


@dataclass(frozen=True, slots=True)
class Mended:
    """A surface with patches.

    Attributes
    ----------
    mesh : Mesh
    kind : (m,) int8
        Tag of each face; that of patches is the one asked for.
    places : int
        How many places were mended.
    """

    mesh: Mesh
    kind: NDArray[np.int8]
    places: int


def mend_crossings(
    mesh: Mesh, kind: NDArray[np.int8], patch: int, kept: int = KEPT, smooth: bool = True
) -> Mended:
    """Replace faces that pass through others by patches between their neighbours.

    Faces at the border are taken away without a patch.

    Parameters
    ----------
    mesh : Mesh
    kind : (m,) int8
    patch : int
        Tag for the faces of patches.
    kept : int
        Tag of faces that are never taken away.
    smooth : bool
        Bend patches to continue their surroundings; else they are spanned between the
        corners that are there.
    """
    places = 0
    for attempt in range(ROUNDS):
        # After the first round only patches can cross anything.
        count, pairs = crossings_near(mesh, kind == patch, kind == patch, attempt == 0)
        if not count:
            break
        places = max(places, count)
        hit = np.zeros(len(mesh.faces), dtype=bool)
        hit[pairs.ravel()] = True
        hit &= kind != kept
        if attempt:
            seed = np.zeros(len(mesh.vertices), dtype=bool)
            seed[mesh.faces[hit].ravel()] = True
            hit = rings_around(mesh.faces, seed, (attempt + 1) // 2) & (kind != kept)
        mesh, kind = _replace(mesh, kind, hit, patch, smooth)
    return Mended(mesh, kind, places)


def mend_handles(mesh: Mesh, kind: NDArray[np.int8], patch: int, own: int) -> Mended:
    """Cut the handles of a closed surface open and patch them, as far as they are small.

    Parameters
    ----------
    mesh : Mesh
        Closed and connected.
    kind : (m,) int8
    patch : int
        Tag for the faces of patches.
    own : int
        Tag of faces that may be cut, beside those of patches.
    """
    cut = 0
    left = genus(mesh.faces)
    while left > 0 and cut < MOST_HANDLES:
        allowed = np.ones(len(mesh.vertices), dtype=bool)
        allowed[mesh.faces[(kind != own) & (kind != patch)].ravel()] = False
        loops = handle_cuts(mesh.vertices, mesh.faces, allowed, LONGEST_CUT)
        if not loops:
            break
        on = np.zeros(len(mesh.vertices), dtype=bool)
        on[np.concatenate(loops)] = True
        after, tags = _replace(
            mesh, kind, np.asarray(on[mesh.faces].any(axis=1)), patch, smooth=False
        )
        now = genus(after.faces)
        if now >= left:
            break
        cut += left - now
        mesh, kind, left = after, tags, now
    return Mended(mesh, kind, cut)


@njit(cache=True, nogil=True)
def _occupy(
    low: NDArray[np.int64], high: NDArray[np.int64], boxes: NDArray[np.bool_], mark: bool
) -> NDArray[np.bool_]:
    """Mark the boxes that ranges cover, or tell which ranges touch a marked box."""
    out = np.zeros(len(low), dtype=np.bool_)
    for n in range(len(low)):
        for i in range(low[n, 0], high[n, 0] + 1):
            for j in range(low[n, 1], high[n, 1] + 1):
                for k in range(low[n, 2], high[n, 2] + 1):
                    if mark:
                        boxes[i, j, k] = True
                    elif boxes[i, j, k]:
                        out[n] = True
    return out


def crossings_near(
    mesh: Mesh,
    chosen: NDArray[np.bool_],
    folding: NDArray[np.bool_],
    everywhere: bool = False,
) -> tuple[int, NDArray[np.int64]]:
    """Count pairs of faces that cross among the chosen ones and all that could touch them.

    Parameters
    ----------
    mesh : Mesh
    chosen : (m,) bool
    folding : (m,) bool
        Faces that may not pass through one with a common corner either.
    everywhere : bool
        Look for crossings among all faces.

    Returns
    -------
    count, and up to 2000 pairs (k, 2)

    Raises
    ------
    GeometryError
        The surface is such a tangle that crossings cannot be counted.
    """
    near = np.arange(len(mesh.faces))
    if not everywhere:
        if not chosen.any():
            return 0, np.empty((0, 2), dtype=np.int64)
        near = np.flatnonzero(_near_faces(mesh, chosen))
    count, pairs = find_intersections(Mesh(mesh.vertices, mesh.faces[near]))
    if count is None:
        raise GeometryError(
            "the surface passes through itself almost everywhere; export the scan again, or rescan"
        )
    folds = find_folds(mesh, folding) if folding.any() else np.empty((0, 2), dtype=np.int64)
    found = np.concatenate((near[pairs], folds))
    return count + len(folds), found


def _near_faces(mesh: Mesh, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark the chosen faces and all that share a box with one."""
    corners = mesh.triangles
    origin = mesh.vertices.min(axis=0)
    low = ((corners.min(axis=1) - origin) / BOX).astype(np.int64)
    high = ((corners.max(axis=1) - origin) / BOX).astype(np.int64)
    boxes = np.zeros(tuple((high.max(axis=0) + 1).tolist()), dtype=bool)
    _occupy(low[chosen], high[chosen], boxes, True)
    return np.asarray(_occupy(low, high, boxes, False))


def _replace(
    mesh: Mesh, kind: NDArray[np.int8], gone: NDArray[np.bool_], patch: int, smooth: bool = True
) -> tuple[Mesh, NDArray[np.int8]]:
    """Take faces away and patch the openings that do not run into the border."""
    before = analyse(mesh, self_intersections=False)
    rim = np.zeros(len(mesh.vertices), dtype=bool)
    for loop in [before.border, *before.holes]:
        if loop is not None:
            rim[before.vertex_map[loop.vertices]] = True
    topology = analyse(Mesh(mesh.vertices, mesh.faces[~gone]), self_intersections=False)
    vertices, faces = topology.main.vertices, topology.main.faces
    edge = median_edge(vertices, faces)
    parts: list[Faces] = [faces]
    tags = [kind[~gone][topology.face_map]]
    lines = [
        loop.vertices.astype(np.int64)
        for loop in [topology.border, *topology.holes]
        if loop is not None and not rim[topology.vertex_map[loop.vertices]].any()
    ]
    around = surroundings(faces, lines, len(vertices))
    for line in lines:
        vertices, made = patch_loop(vertices, around, line, edge, smooth=smooth)
        parts.append(made)
        tags.append(np.full(len(made), patch, dtype=np.int8))
    return Mesh(vertices, np.concatenate(parts).astype(np.int32)), np.concatenate(tags)

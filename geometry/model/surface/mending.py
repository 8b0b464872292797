"""Mend a surface: places where it crosses itself, and handles."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.surface.folds import find_folds
from geometry.model.surface.halfedges import Faces
from geometry.model.surface.handles import handle_cuts
from geometry.model.surface.kinds import STAND_IN
from geometry.model.surface.patches import rings_around
from geometry.model.surface.skin import Skin, genus_of, patched, tails, without
from geometry.topology.adjacency import extent
from geometry.topology.intersections import find_intersections

Array = NDArray[np.float64]

ROUNDS = 7
LOOKS = 8
"""So often more a surface is looked at as a whole that crosses itself in very many places."""
MOST_HANDLES = 400
LONGEST_CUT = 45.0
KEPT = 2  # the base
WIDEST = 8.0
"""Places that touch are told as one up to this width, mm: one as wide as the arch tells nothing."""
BOX = 1.0
MOST_FOLDS = 10_000
NEAR = 0.6

CROSSING, TUNNEL, BRIDGE = "crossing", "tunnel", "bridge"


class _Tangle(GeometryError):
    def __init__(self) -> None:
        super().__init__(
            "the surface passes through itself almost everywhere; export the scan again, or rescan"
        )


@dataclass(frozen=True, slots=True)
class Spot:
    """A place that was mended.

    Attributes
    ----------
    what : str
        ``CROSSING`` (the surface passed through itself), ``TUNNEL`` (a tunnel was closed),
        ``BRIDGE`` (a bridge of material was cut).
    at : (3,) float64
        Middle, mm.
    size : float
        Largest extent of what was replaced, mm.
    """

    what: str
    at: Array
    size: float


@dataclass(slots=True)
class Mended:
    """A surface with patches.

    Attributes
    ----------
    skin : Skin
        Tags of faces that are patches are those asked for.
    spots : list of Spot
        Where.
    """

    skin: Skin
    spots: list[Spot] = field(default_factory=list)


def mend_crossings(
    skin: Skin,
    patch: int,
    kept: int = KEPT,
    smooth: bool = True,
    whole: bool = True,
    most: int | None = None,
) -> Mended:
    """Replace faces that pass through others by patches between their neighbours.

    Faces at the border are taken away without a patch.

    Parameters
    ----------
    skin : Skin
    patch : int
        Tag for the faces of patches.
    kept : int
        Tag of faces that are never taken away.
    smooth : bool
        Bend patches to continue their surroundings; else they are spanned between the
        corners that are there.
    whole : bool
        Look everywhere; else only patches, those there already too, can cross anything.
    most : int, optional
        Pairs of faces that may cross at first.

    Raises
    ------
    GeometryError
        More do.
    """
    spots: list[Spot] = []
    attempt, unseen = 0, whole
    for _ in range(ROUNDS + LOOKS):
        # Once all was seen only patches can cross anything.
        real = np.flatnonzero(skin.kind != STAND_IN)
        own = skin.kind[real] == patch
        folding = skin.kind[real] != kept if unseen else own
        mesh = Mesh(skin.vertices, skin.faces[real])
        count, pairs = crossings_near(mesh, own, folding, everywhere=unseen)
        pairs = real[pairs]
        if most is not None and count > most:
            raise _Tangle
        most = None
        if not count or attempt == ROUNDS:
            break
        hit = np.zeros(len(skin.faces), dtype=bool)
        hit[pairs.ravel()] = True
        loose = (skin.kind != kept) & (skin.kind != STAND_IN)
        hit &= loose
        if attempt:
            seed = np.zeros(len(skin.vertices), dtype=bool)
            seed[skin.faces[hit].ravel()] = True
            hit = rings_around(skin.faces, seed, (attempt + 1) // 2) & loose
        rest, openings, lost = without(skin, hit)
        spots += _spots_of(skin.vertices[skin.faces[hit]]) + _spots_of(lost)
        spots = joined_spots(spots)
        skin = patched(rest, openings, patch, smooth)
        # Of very many crossings only some are named at a time.
        unseen = unseen and count > len(pairs)
        attempt += not unseen
    return Mended(skin, spots)


def _spots_of(corners: Array, what: str = CROSSING) -> list[Spot]:
    """Return a spot for each face (k, 3, 3) that is taken away."""
    sizes = np.linalg.norm(np.ptp(corners, axis=1), axis=1)
    return [
        Spot(what, at, float(size)) for at, size in zip(corners.mean(axis=1), sizes, strict=True)
    ]


def joined_spots(spots: list[Spot]) -> list[Spot]:
    """Join spots of one sort that touch or nearly do, unless that makes one past WIDEST."""
    if not spots:
        return []
    kinds = sorted({spot.what for spot in spots})
    at = np.array([spot.at for spot in spots], dtype=np.float64)
    size = np.array([spot.size for spot in spots], dtype=np.float64)
    kind = np.array([kinds.index(spot.what) for spot in spots])
    order = np.lexsort((at[:, 2], at[:, 1], at[:, 0], -size))
    at, size, kind = at[order], size[order], kind[order]
    count = _join(at, size, kind)
    return [Spot(kinds[kind[k]], at[k].copy(), float(size[k])) for k in range(count)]


@njit(cache=True, nogil=True)
def _join(at: Array, size: Array, kind: NDArray[np.int64]) -> int:
    """Join each place, largest first, with an earlier one (in place); return how many are left."""
    count = 0
    for n in range(len(at)):
        found, gap = -1, 0.0
        for k in range(count):
            if kind[k] != kind[n]:
                continue
            x, y, z = at[k, 0] - at[n, 0], at[k, 1] - at[n, 1], at[k, 2] - at[n, 2]
            gap = np.sqrt(x * x + y * y + z * z)
            reach = 0.5 * (size[n] + size[k])
            if gap <= reach + NEAR and gap + reach <= max(WIDEST, size[k]):
                found = k
                break
        if found < 0:
            at[count], size[count], kind[count] = at[n], size[n], kind[n]
            count += 1
        elif gap + 0.5 * size[n] > 0.5 * size[found]:
            whole = 0.5 * size[n] + gap + 0.5 * size[found]
            at[found] += (at[n] - at[found]) * (0.5 * (whole - size[found]) / max(gap, 1e-12))
            size[found] = whole
    return count


def mend_handles(skin: Skin, patch: int, own: int) -> Mended:
    """Cut the handles of a surface open and patch them, as far as they are small.

    Parameters
    ----------
    skin : Skin
    patch : int
        Tag for the faces of patches.
    own : int
        Tag of faces that may be cut, beside those of patches.
    """
    spots: list[Spot] = []
    left = genus_of(skin)
    while left > 0 and len(spots) < MOST_HANDLES:
        allowed = np.ones(len(skin.vertices), dtype=bool)
        allowed[skin.faces[(skin.kind != own) & (skin.kind != patch)].ravel()] = False
        edge = np.flatnonzero(skin.opposite < 0)
        allowed[tails(skin, edge)] = False
        cuts = handle_cuts(skin, allowed, LONGEST_CUT)
        if not cuts:
            break
        on = np.zeros(len(skin.vertices), dtype=bool)
        on[np.concatenate([loop for loop, _ in cuts])] = True
        rest, openings, lost = without(skin, rings_around(skin.faces, on, 0))
        after = patched(rest, openings, patch, smooth=False)
        now = genus_of(after)
        if now >= left:
            break
        for loop, air in cuts:
            points = skin.vertices[loop]
            size = float(np.linalg.norm(np.ptp(points, axis=0)))
            spots.append(Spot(TUNNEL if air else BRIDGE, points.mean(axis=0), size))
        spots += joined_spots(_spots_of(lost, BRIDGE))
        skin, left = after, now
    return Mended(skin, spots)


@njit(cache=True, nogil=True)
def _touches(boxes: NDArray[np.bool_], first: NDArray[np.int64], last: NDArray[np.int64]) -> bool:
    """Tell whether any box from ``first`` to ``last`` is marked."""
    for i in range(first[0], last[0] + 1):
        for j in range(first[1], last[1] + 1):
            for k in range(first[2], last[2] + 1):
                if boxes[i, j, k]:
                    return True
    return False


@njit(cache=True, nogil=True)
def _near_faces(
    vertices: Array, faces: Faces, chosen: NDArray[np.bool_], low: Array, high: Array, box: float
) -> NDArray[np.bool_]:
    """Mark the chosen faces and all that share a box with one."""
    nx = int((high[0] - low[0]) / box) + 1
    ny = int((high[1] - low[1]) / box) + 1
    nz = int((high[2] - low[2]) / box) + 1
    boxes = np.zeros((nx, ny, nz), dtype=np.bool_)
    out = np.zeros(len(faces), dtype=np.bool_)
    first = np.empty(3, dtype=np.int64)
    last = np.empty(3, dtype=np.int64)
    for mark in (True, False):
        for f in range(len(faces)):
            if mark and not chosen[f]:
                continue
            for d in range(3):
                a = vertices[faces[f, 0], d]
                b = vertices[faces[f, 1], d]
                c = vertices[faces[f, 2], d]
                first[d] = int((min(a, b, c) - low[d]) / box)
                last[d] = int((max(a, b, c) - low[d]) / box)
            if mark:
                boxes[
                    first[0] : last[0] + 1, first[1] : last[1] + 1, first[2] : last[2] + 1
                ] = True
            else:
                out[f] = _touches(boxes, first, last)
    return out


def crossings_near(
    mesh: Mesh,
    chosen: NDArray[np.bool_],
    folding: NDArray[np.bool_],
    everywhere: bool = False,
) -> tuple[int, NDArray[np.int64]]:
    """Count pairs of faces that cross and one of which at least is chosen.

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
    count, and the pairs (k, 2): all folds, of the others up to 1000

    Raises
    ------
    GeometryError
        The surface is such a tangle that crossings cannot be counted.
    """
    near, own = np.arange(len(mesh.faces)), None
    if not everywhere:
        if not chosen.any():
            return 0, np.empty((0, 2), dtype=np.int64)
        low, high = extent(mesh.vertices)
        near = np.flatnonzero(_near_faces(mesh.vertices, mesh.faces, chosen, low, high, BOX))
        own = chosen[near]
    count, pairs = find_intersections(Mesh(mesh.vertices, mesh.faces[near]), own)
    if count is None:
        raise _Tangle
    folds = np.empty((0, 2), dtype=np.int64)
    if folding.any():
        folds = find_folds(mesh, folding, MOST_FOLDS)
    found = np.concatenate((near[pairs], folds))
    return count + len(folds), found

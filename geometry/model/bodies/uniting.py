"""Unite a solid with what fills its undercuts, without a fault in the result."""

from __future__ import annotations

import manifold3d
import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.bodies.combining import Excerpt, Joint
from geometry.model.bodies.plugs import plugs
from geometry.model.bodies.solids import (
    as_written,
    largest_piece,
    new_faces,
    piece_of_faces,
    to_manifold,
)
from geometry.model.bodies.underside import flat_base
from geometry.model.memory import give_back
from geometry.model.surface.folds import find_folds
from geometry.model.surface.halfedges import Faces, compact, genus, pieces_of
from geometry.model.surface.kinds import BASE, FILL, SCAN, STAND_IN
from geometry.model.surface.mending import (
    Mended,
    Spot,
    crossings_near,
    joined_spots,
    mend_crossings,
    mend_handles,
)
from geometry.model.surface.skin import skin_of
from geometry.topology.intersections import find_intersections

Array = NDArray[np.float64]

# Where surfaces nearly coincide, a union rounded to a file's precision may cross itself by a
# hair. A fill that stands a few thousandths of a millimetre elsewhere seldom does.
NUDGES = (
    np.array(
        [(0, 0, 0), (9, 6, 0), (-4, 8, 0), (5, -9, 0), (-11, -4, 0), (2, 13, 0)], dtype=np.float64
    )
    * 0.001
)
STRAIGHT, BENT = 2, 4
CLOSE = 0.3
VAIN = 2
FEW = 4
"""Where more pairs of faces cross after the first trial, nudges did not help wherever that was
looked at; patches did."""


def folds_of(vertices: Array, faces: Faces) -> int:
    """Count the pairs of faces with one common corner that pass through each other."""
    return len(find_folds(Mesh(vertices, faces), np.ones(len(faces), dtype=bool)))


def unite(
    vertices: Array,
    faces: Faces,
    body: manifold3d.Manifold | None,
    folds: int = 0,
    everywhere: bool = True,
) -> tuple[Array, Faces, list[Spot]]:
    """Return the union of a solid and a body, rounded as a file holds it.

    Parameters
    ----------
    vertices, faces
        Closed solid standing on z = 0, rounded as a file holds it.
    body : manifold3d.Manifold or None
        What is united with it.
    folds : int
        What :func:`folds_of` counts on the solid; asked for where everything is looked at.
    everywhere : bool
        Look for crossings in the whole solid; else only where something was joined to it,
        for one that is looked at as a whole later on.

    Returns
    -------
    vertices, faces
    spots : list of Spot
        Places that had to be mended.

    Raises
    ------
    GeometryError
        The result crosses itself and cannot be mended.
    """
    if body is None or body.is_empty():
        # Creases along the walls or of the rounding.
        count = find_intersections(Mesh(vertices, faces))[0]
        return _mended(vertices, faces, None if count is None else count + folds)
    give_back()
    part = Excerpt(vertices, faces, [body])
    found = _united(part, body)
    if found is None and part.partial and everywhere:
        found = _united(Excerpt(vertices, faces), body)
    if found is None:
        raise GeometryError(
            "the block-out could not be joined to the model; prepare it with another trim or"
            " block-out depth, or without block-out"
        )
    v, f, spots = found
    if everywhere:
        v, f, plugged = _plugged(v, f)
        made = np.ones(len(f), dtype=bool) if folds else new_faces(v, f, vertices)
        v, f, mended = _mended(v, f, _crossings(v, f, made)[0])
        spots += [*plugged, *mended]
        v, f, _ = compact(v, largest_piece(f, len(v)))
    return v, f, joined_spots(spots)


def _plugged(vertices: Array, faces: Faces) -> tuple[Array, Faces, list[Spot]]:
    """Close the shafts that make rings of a solid, as far as that closes rings."""
    count = genus(faces)
    bodies, spots = plugs(vertices, faces) if count > 0 else ([], [])
    if not bodies:
        return vertices, faces, []
    try:
        body = manifold3d.Manifold.batch_boolean(bodies, manifold3d.OpType.Add)
        # A shaft thinner than the file's rounding leaves no plug.
        found = None if body.is_empty() else _united(Excerpt(vertices, faces, bodies), body)
    except GeometryError:
        found = None
    if found is None or genus(found[1]) >= count:
        return vertices, faces, []
    return found[0], found[1], [*spots, *found[2]]


def _united(part: Excerpt, body: manifold3d.Manifold) -> tuple[Array, Faces, list[Spot]] | None:
    """Unite a part of a solid with a body and mend what that left; None where they do not join.

    Raises
    ------
    GeometryError
        The result crosses itself and cannot be mended.
    """
    spots: list[Spot] = []
    creases = _creases(part)
    if len(creases):
        # Before something is joined to them: a union makes crossings of them.
        part.vertices, part.faces, spots = _mended_pieces(part.vertices, part.faces, creases, part)
    best: tuple[Array, Faces, NDArray[np.int64]] | None = None
    joint = Joint(part)
    mesh = body.to_mesh64()
    points = np.array(mesh.vert_properties[:, :3], order="C")
    corners = np.array(mesh.tri_verts, dtype=np.int32, order="C")
    piece = pieces_of(corners, np.ones(len(points), dtype=bool))
    nudge = np.zeros(int(piece.max()) + 1, dtype=np.int64)
    vain = 0
    for attempt in range(len(NUDGES)):
        moved = to_manifold(points + NUDGES[nudge[piece]], corners) if attempt else body
        give_back()
        try:
            v, f = as_written(*joint.made([moved], []))
            pairs = _pairs(v, f, new_faces(v, f, part.vertices), part)
        except GeometryError:
            nudge += 1  # a hair's breadth elsewhere it may close
            continue
        vain += 1
        if best is None or len(pairs) < len(best[2]):
            best, vain = (v, f, pairs), 0
        if not 0 < len(pairs) <= FEW or vain == VAIN:
            break
        # Only what crosses is moved; where none of the pieces does, moving them is no help.
        at_fault = _pieces_near(points, piece, v[f[pairs]].mean(axis=2).reshape(-1, 3))
        if not at_fault.any():
            break
        nudge[at_fault] += 1
    if best is None:
        return None
    v, f, mended = _mended_pieces(*best, part)
    found = part.back(v, f)
    return None if found is None else (*found, [*spots, *mended])


def _creases(part: Excerpt) -> NDArray[np.int64]:
    """Return the pairs (k, 2) of faces with one common corner that pass through each other."""
    real = np.flatnonzero(~part.shafts(part.vertices, part.faces))
    found = find_folds(Mesh(part.vertices, part.faces[real]), np.ones(len(real), dtype=bool))
    return np.asarray(real[found])


def _pairs(
    vertices: Array, faces: Faces, made: NDArray[np.bool_], part: Excerpt
) -> NDArray[np.int64]:
    """Return the pairs (k, 2) of faces that cross where something was made; shafts may."""
    real = np.flatnonzero(~part.shafts(vertices, faces))
    made = made[real]
    _, pairs = crossings_near(Mesh(vertices, faces[real]), made, made)
    return np.asarray(real[pairs])


def _mended_pieces(
    vertices: Array, faces: Faces, pairs: NDArray[np.int64], part: Excerpt
) -> tuple[Array, Faces, list[Spot]]:
    """Mend each piece of part of a solid by itself."""
    label = piece_of_faces(faces, len(vertices))
    size = np.bincount(label)
    # Specks and hollows hang together with nothing that was left aside.
    real = np.bincount(label[part.shafts(vertices, faces)], minlength=len(size)) > 0
    if not part.partial:
        real = size == size.max()
    pairs = pairs[real[label[pairs]].all(axis=1)]
    if (label[pairs[:, 0]] != label[pairs[:, 1]]).any():
        raise GeometryError("what hangs together only beside the bodies crosses itself")
    spots: list[Spot] = []
    points, parts, count = [], [], 0
    for number in np.flatnonzero(real).tolist():
        v, f, _ = compact(vertices, faces[label == number])
        v, f, mended = _mended(v, f, int((label[pairs[:, 0]] == number).sum()), part.lid)
        spots += mended
        points.append(v)
        parts.append(f + np.int32(count))
        count += len(v)
    return np.concatenate(points), np.concatenate(parts), spots


def _pieces_near(points: Array, piece: NDArray[np.int64], places: Array) -> NDArray[np.bool_]:
    """Mark the pieces, by their numbers (n,) at points (n, 3), with a box close to a place."""
    shape = (int(piece.max()) + 1, 3)
    low, high = np.full(shape, np.inf), np.full(shape, -np.inf)
    np.minimum.at(low, piece, points - CLOSE)
    np.maximum.at(high, piece, points + CLOSE)
    inside = (places > low[:, None]) & (places < high[:, None])
    return np.asarray(np.any(np.all(inside, axis=2), axis=1))


def _crossings(
    vertices: Array, faces: Faces, folding: NDArray[np.bool_], lid: float = np.inf
) -> tuple[int | None, NDArray[np.int64]]:
    """Count the pairs of faces that cross; with a common corner where one may be folded.

    What reaches above ``lid`` is not looked at.
    """
    if np.isfinite(lid):
        low = (vertices[:, 2] < lid)[faces].all(axis=1)
        faces, folding = faces[low], folding[low]
    mesh = Mesh(vertices, faces)
    count, pairs = find_intersections(mesh)
    folds = find_folds(mesh, folding)
    return None if count is None else count + len(folds), np.concatenate((pairs, folds))


def _mended_so(
    vertices: Array, faces: Faces, crossings: int | None, smooth: bool, rounds: int, lid: float
) -> tuple[Array, Faces, int | None, list[Spot], bool]:
    """Mend a solid in some rounds with patches of one kind.

    Returns
    -------
    vertices, faces, crossings, spots
        As far as that went.
    vain : bool
        What is left are handles, and another round would leave them too.
    """
    v, f = vertices, faces
    spots: list[Spot] = []
    for _ in range(rounds):
        if crossings == 0 and genus(f) == 0:
            break
        high = v[f, 2].max(axis=1)
        kind = np.where(high > 0.0, SCAN, BASE).astype(np.int8)
        kind[high > lid] = STAND_IN
        crossed = Mended(skin_of(Mesh(v, f), kind))
        if crossings != 0:
            crossed = mend_crossings(crossed.skin, FILL, smooth=smooth)
        mended = mend_handles(crossed.skin, FILL, SCAN)
        if crossings == 0 and not mended.spots:
            return v, f, crossings, spots, True
        spots = [*spots, *crossed.spots, *mended.spots]
        v, f = flat_base(*as_written(mended.skin.vertices, mended.skin.faces))
        crossings, _ = _crossings(v, f, np.ones(len(f), dtype=bool), lid)
    return v, f, crossings, spots, False


def _mended(
    vertices: Array, faces: Faces, crossings: int | None, lid: float = np.inf
) -> tuple[Array, Faces, list[Spot]]:
    """Mend what a union left: specks where surfaces nearly coincide, and handles.

    Patches between the corners that are there are tried first, since they stay on the
    surface; then patches that are bent to continue what is around them. Faces with a corner
    above ``lid`` only stand for others, may cross, and are left as they are.
    """
    first = crossings
    v, f, crossings, spots, vain = _mended_so(vertices, faces, first, False, STRAIGHT, lid)
    if first == crossings == 0 and genus(f) and not vain:
        # Where nothing crosses, bent patches come to the same: it is gone on from there.
        v, f, crossings, more, _ = _mended_so(v, f, crossings, True, BENT - STRAIGHT, lid)
        spots = [*spots, *more]
    elif crossings != 0 or (first != 0 and genus(f)):
        v, f, crossings, spots, _ = _mended_so(vertices, faces, first, True, BENT, lid)
    # A crease that would not be ironed out is let pass: it leads nobody astray. Nor does a loop
    # that would not be closed, such as a ring; it is told.
    if crossings != 0 and _crossings(v, f, np.zeros(len(f), dtype=bool), lid)[0] != 0:
        if _crossings(vertices, faces, np.zeros(len(faces), dtype=bool), lid)[0] == 0:
            return vertices, faces, []
        raise GeometryError(
            "the model's surface crosses itself and could not be mended; rescan, or prepare it with"
            " another trim or block-out depth"
        )
    return v, f, joined_spots(spots)

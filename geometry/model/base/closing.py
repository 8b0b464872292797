"""Turn one open surface into a closed solid that stands on z = 0."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.base.assembling import CROWN_BAND, Closed, mend, perimeter
from geometry.model.base.cutting import cut_surface
from geometry.model.base.restoring import restore
from geometry.model.base.standing import (
    LEFT_AT_LEAST,
    FoldedBorder,
    kept,
    stand_on_ends,
    stand_safely,
)
from geometry.model.surface.halfedges import face_areas, genus, pieces_of
from geometry.model.surface.mending import Spot, joined_spots
from geometry.model.surface.skin import Skin, loops_of, tails
from geometry.model.undercuts.regions import Misplaced
from geometry.topology import Topology, analyse

Array = NDArray[np.float64]

SNAP = 0.002
LOOSE = "loose"
FLOOR_THICKNESS = 1.5


def close_surface(skin: Skin, trim: float, top: float, ends: bool = False) -> Closed:
    """Cut a surface at the trim plane, fill its holes and close it to the base.

    Parameters
    ----------
    skin : Skin
        In model axes, normals outward, without crossings; the base plane is z = 0.
    trim : float
        Height at which the surface is cut and straight walls begin.
    top : float
        Height of the incisal edges.
    ends : bool
        Cut the surface off along upright planes inside the places where its border
        cannot be closed, for one that cannot be closed otherwise.

    Raises
    ------
    FoldedBorder
        The border cannot be closed without crossing the surface, or without losing much of it.
    GeometryError
        The cut would take a tooth, or a hole is too large to guess.
    """
    notes: list[str] = []
    cut, loose = _cut_at(skin, trim, top, notes)
    solid = (stand_on_ends if ends else stand_safely)(cut, trim, top)
    if kept(cut, solid) < LEFT_AT_LEAST:
        raise FoldedBorder(cut.vertices[[np.argmax(cut.vertices[:, 2])]])
    solid.notes = notes
    solid.spots += loose
    if genus(solid.faces):
        mend(solid)
    restore(solid, cut)
    return solid


def _cut_at(skin: Skin, trim: float, top: float, notes: list[str]) -> tuple[Skin, list[Spot]]:
    """Cut away what lies below the trim and reaches the border; keep enclosed hollows.

    Also return what came loose by that and is left out.
    """
    z = skin.vertices[:, 2].copy()
    z[np.abs(z - trim) < SNAP] = trim
    below = z < trim
    if not below.any():
        return skin, []
    piece = pieces_of(skin.faces, below)
    reached = np.zeros(int(piece.max()) + 1, dtype=bool)
    borders = [tails(skin, half) for half in loops_of(skin)]
    if borders:
        rim = max(borders, key=lambda line: perimeter(skin.vertices[line]))
        reached[piece[rim[below[rim]]]] = True
    else:
        used = skin.faces.ravel()
        reached[piece[used[np.argmin(z[used])]]] = True
    enclosed = below & ~reached[piece]
    field_ = np.where(enclosed, 1.0, z - trim)
    points = skin.vertices.copy()
    points[z == trim, 2] = trim
    v, f, origin, parent = cut_surface(points, skin.faces, field_)
    v[origin < 0, 2] = trim
    kind = skin.kind[parent]
    if enclosed.any() and float(z[enclosed].min()) < FLOOR_THICKNESS:
        # A hollow (a palate) deeper than the base is thick gets a flat floor.
        inside = np.zeros(len(v), dtype=bool)
        inside[origin >= 0] = enclosed[origin[origin >= 0]]
        depth = v[:, 2] - FLOOR_THICKNESS
        depth[np.abs(depth) < SNAP] = 0.0
        v[inside & (depth == 0.0), 2] = FLOOR_THICKNESS
        v, f, origin, parent = cut_surface(v, f, np.where(inside, depth, 1.0))
        v[origin < 0, 2] = FLOOR_THICKNESS
        kind = kind[parent]
        notes.append("the palate lies below the base there and was floored flat")
    if not len(f):
        raise GeometryError(
            f"nothing of the scan lies above the trim at {trim:.1f} mm; lower the trim"
        )
    topology = analyse(Mesh(v, f), self_intersections=False)
    _mind_the_crowns(Mesh(v, f), topology, trim, top)
    main = topology.main
    left = np.ones(len(f), dtype=bool)
    left[topology.face_map] = False
    loose = joined_spots(
        [
            Spot(LOOSE, corners.mean(axis=0), float(np.linalg.norm(np.ptp(corners, axis=0))))
            for corners in v[f[left]]
        ]
    )
    cut = Skin(main.vertices, main.faces, kind[topology.face_map], topology.opposite)
    return cut, loose


def _mind_the_crowns(mesh: Mesh, topology: Topology, trim: float, top: float) -> None:
    """Refuse a cut that leaves crowns on separate pieces."""
    if topology.shells < 2:
        return
    kept = np.zeros(len(mesh.faces), dtype=bool)
    kept[topology.face_map] = True
    rest = mesh.faces[~kept]
    high = mesh.vertices[rest, 2].min(axis=1) > max(trim, top - CROWN_BAND)
    if face_areas(mesh.vertices, rest[high]).sum() > 15.0:
        help_ = "a lower trim or a greater height" if trim > 0.0 else "a greater height, less tilt"
        raise Misplaced(
            mesh.vertices[rest[high]].reshape(-1, 3).mean(axis=0),
            f"a trim at {trim:.1f} mm above the base cuts the model apart {{}}; choose {help_}, or"
            " cut lips, cheeks and tongue off the scan",
        )

"""Turn one open surface into a closed solid that stands on z = 0."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.borders import step_back
from geometry.model.bridges import Bridges
from geometry.model.cutting import cut_surface
from geometry.model.ends import cut_ends
from geometry.model.halfedges import Faces, compact, face_areas, genus, pieces_of
from geometry.model.mending import (
    Spot,
    crossings_near,
    joined_spots,
    mend_crossings,
    mend_handles,
)
from geometry.model.patches import median_edge, patch_loops
from geometry.model.skin import Skin, loops_of, skin_of, tails
from geometry.model.skirts import CrossedBorder, cap, lay_foot, plane_wall, skirt_faces
from geometry.model.solids import odd_at, odd_vertices, shared
from geometry.topology import Topology, analyse

Array = NDArray[np.float64]

SCAN, WALL, BASE, FILL, FLOOR = 0, 1, 2, 3, 4
SNAP = 0.002
LOOSE = "loose"
FLOOR_THICKNESS = 1.5
LARGEST_HOLE = 60.0
CROWN_BAND = 6.0
WIDEST_BRIDGES = (9.0, 5.0, 3.0)
"""Half the length along the border, mm, past which bridges are not made longer, in turn."""
LITTLE_LOST = 2.0
"""Where so little of the surface is lost no other way is looked for; see :func:`_lost`."""
MUCH_LOST = 100.0
"""Where so much is lost, upright planes at the ends may cost less."""
STAND_ROUNDS = 30
SHORT_ROUNDS = 6
END_ROUNDS = 10
SAME_PLACE = 2.5
NIBBLES = 6
NIBBLE = 0.25
TOUCHING = 0.01
SKIRT_STEP = 0.35
WALL_EDGE = 0.5
LEFT_AT_LEAST = 0.6
"""A model that keeps less of the surface above its trim is none of that scan."""


class FoldedBorder(GeometryError):
    """A border that cannot be closed without crossing the surface, here at ``places`` (k, 3)."""

    def __init__(self, places: Array) -> None:
        self.places = places
        x, y, z = places[0]
        super().__init__(
            f"the scan's border folds over itself around ({x:.0f}, {y:.0f}, {z:.0f}) mm in model "
            "axes and cannot be closed safely; raise the trim, or cut the border back there"
        )


@dataclass(slots=True)
class Closed:
    """A closed solid and where its faces come from.

    Attributes
    ----------
    vertices : (n, 3) float64, mm
    faces : (m, 3) int32
    kind : (m,) int8
        SCAN, WALL, BASE, FILL (a filled hole or healed place) or FLOOR.
    holes : list of dict
        Filled holes: area_mm2, perimeter_mm, centre (model axes).
    notes : list of str
    spots : list of Spot
        Where the border was taken back, or the surface mended, model axes.
    """

    vertices: Array
    faces: Faces
    kind: NDArray[np.int8]
    holes: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)


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
    solid = (_stand_on_ends if ends else _stand_safely)(cut, trim, top)
    left = face_areas(solid.vertices, solid.faces[solid.kind == SCAN]).sum()
    if left < LEFT_AT_LEAST * face_areas(cut.vertices, cut.faces).sum():
        raise FoldedBorder(cut.vertices[[np.argmax(cut.vertices[:, 2])]])
    solid.notes = notes
    solid.spots += loose
    if genus(solid.faces):
        _mend(solid)
    return solid


def _mend(solid: Closed) -> None:
    handles = mend_handles(skin_of(Mesh(solid.vertices, solid.faces), solid.kind), FILL, SCAN)
    crossings = mend_crossings(handles.skin, FILL)
    solid.spots += handles.spots + crossings.spots
    solid.vertices, solid.faces, _ = compact(crossings.skin.vertices, crossings.skin.faces)
    solid.kind = crossings.skin.kind


def _stand_safely(skin: Skin, trim: float, top: float) -> Closed:
    """Close a cut surface; bridge its border, or cut it back, where walls would cross it.

    Long bridges save what short ones would cost, and the other way round: what costs least
    of the surface is taken.
    """
    best: tuple[float, Closed] | None = None
    folded: FoldedBorder | None = None
    for widest in WIDEST_BRIDGES:
        try:
            solid = _stand(skin, trim, top, widest, STAND_ROUNDS)
        except FoldedBorder as error:
            folded = error
            continue
        lost = _lost(skin, solid)
        if best is None or lost < best[0]:
            best = lost, solid
        del solid  # a large one and another are enough at a time
        if lost < LITTLE_LOST:
            break
    if best is not None and best[0] > MUCH_LOST:
        with suppress(FoldedBorder):
            solid = _stand_on_ends(skin, trim, top, best[0])
            if _lost(skin, solid) < best[0]:
                return solid
    if best is not None:
        return best[1]
    assert folded is not None
    raise folded


def _lost(skin: Skin, rest: Skin | Closed) -> float:
    """Sum the squares of how far, mm, vertices that are gone lie from what is left."""
    left = rest.vertices[np.unique(rest.faces[rest.kind == SCAN])]
    gone = skin.vertices[~shared(skin.vertices, left)]
    if not len(gone):
        return 0.0
    return float((cKDTree(left).query(gone)[0] ** 2).sum())


def _stand(
    skin: Skin, trim: float, top: float, widest: float, rounds: int, planes: Array | None = None
) -> Closed:
    """Close a cut surface with bridges up to some width, or say where plain walls crossed it."""
    bridges = Bridges(widest)
    spots: list[Spot] = []
    tried: list[Array] = []
    nibbles = 0
    folds = np.empty((0, 3))
    for _ in range(rounds):
        solid, centres, pinched = _attempt(skin, trim, top, bridges, planes)
        if not len(folds):
            folds = centres
        if solid is not None:
            solid.spots = joined_spots([*spots, *solid.spots])
            return solid
        if pinched and nibbles < NIBBLES:
            # Two walls or patches share an edge there: a little less border parts them.
            nibbles += 1
            skin, taken = step_back(skin, centres, np.full(len(centres), 0.15 * nibbles))
            spots += taken
            continue
        # No wall stands where the cut itself touches itself.
        low = centres[:, 2] <= trim + TOUCHING
        vain = np.concatenate((centres[low], bridges.widen(centres[~low])))
        if len(vain):
            # Where nothing was tried yet, a little may do; what comes again is cut deeper.
            again = _times_tried(vain, tried)
            tried.append(vain)
            skin, taken = step_back(skin, vain, (again + 1) * np.float64(NIBBLE))
            spots += taken
    raise FoldedBorder(folds)


def _stand_on_ends(skin: Skin, trim: float, top: float, most: float = np.inf) -> Closed:
    """Close a cut surface after cutting it off along upright planes where nothing else does.

    It is given up where more than ``most`` is lost; see :func:`_lost`.
    """
    whole = skin
    spots: list[Spot] = []
    tried: list[Array] = []
    planes, centres = np.empty((0, 3)), np.empty((0, 3))
    for attempt in range(END_ROUNDS):
        try:
            solid = _stand(skin, trim, top, WIDEST_BRIDGES[-1], SHORT_ROUNDS, planes)
        except FoldedBorder as error:
            centres = error.places
        else:
            solid.spots = joined_spots([*spots, *solid.spots])
            return solid
        again = _times_tried(centres, tried)
        tried.append(centres)
        skin, made, taken, left = cut_ends(skin, centres, int(again.max()))
        planes = np.concatenate((planes, made))
        spots += taken
        if most < np.inf and _lost(whole, skin) > most:
            break
        if len(left):
            reach = np.full(len(left), 0.4 * (1 + attempt // 2))
            skin, taken = step_back(skin, left, reach)
            spots += taken
    raise FoldedBorder(centres)


def _attempt(
    skin: Skin, trim: float, top: float, bridges: Bridges, planes: Array | None
) -> tuple[Closed | None, Array, bool]:
    """Try to close a cut surface.

    Returns
    -------
    solid : Closed or None
    centres : (k, 3) float64
        Where it crosses itself.
    pinched : bool
        It does not, but some of its walls or patches share an edge or a vertex there.
    """
    try:
        solid = _assemble(skin, trim, top, bridges, planes)
    except CrossedBorder as crossed:
        return None, crossed.places, False
    odd = odd_at(solid.faces, len(solid.vertices), solid.kind != SCAN)
    whole = Mesh(solid.vertices, solid.faces)
    # The scan itself was mended already; the base is one flat outline.
    made = (solid.kind != SCAN) & (solid.kind != BASE)
    count, pairs = crossings_near(whole, made, solid.kind == FILL)
    if count and not np.isin(solid.kind[pairs], (WALL, FLOOR)).any():
        # Only patches of holes are at fault, not where the border stands.
        _mend(solid)
        made = solid.kind != SCAN
        whole = Mesh(solid.vertices, solid.faces)
        count, pairs = crossings_near(whole, made, solid.kind == FILL)
        odd = odd_at(solid.faces, len(solid.vertices), made)
    if not count and not odd.any():
        odd, _ = odd_vertices(solid.faces, len(solid.vertices))
    if not count and not odd.any():
        return solid, np.empty((0, 3)), False
    centres = solid.vertices[solid.faces[pairs]].mean(axis=(1, 2))
    return None, np.concatenate((centres, solid.vertices[odd])), not count


def _times_tried(centres: Array, tried: list[Array]) -> NDArray[np.int64]:
    """Count for each place (k, 3) the earlier rounds that had one near it."""
    times = np.zeros(len(centres), dtype=np.int64)
    for earlier in tried:
        times += cKDTree(earlier).query(centres)[0] < SAME_PLACE
    return times


def _assemble(
    skin: Skin, trim: float, top: float, bridges: Bridges, planes: Array | None
) -> Closed:
    """Fill the holes of a cut surface and stand its border on the base."""
    vertices, faces = skin.vertices, skin.faces
    tags = [skin.kind]
    parts = [faces]
    holes: list[dict[str, Any]] = []
    outer: list[NDArray[np.int64]] = []
    inner: list[NDArray[np.int64]] = []
    for half in loops_of(skin):
        line = tails(skin, half)
        standing = bool((vertices[line, 2] <= trim).any())
        if standing and _plan_area(vertices[line]) > 0:
            outer.append(line)
        else:
            inner.append(line)
    if not outer and inner:
        outer.append(inner.pop(int(np.argmax([_plan_area(vertices[line]) for line in inner]))))
    edge = median_edge(vertices, faces)
    open_lines = []
    for line in inner:
        if bool(np.ptp(vertices[line, 2]) == 0.0 and vertices[line[0], 2] <= trim):
            made = line[::-1][cap([vertices[line[::-1], :2]])].astype(np.int32)
            parts.append(made)
            tags.append(np.full(len(made), FLOOR, dtype=np.int8))
            continue
        hole = _hole(vertices[line], top)
        open_lines.append(line)
        if hole["perimeter_mm"] > 6.0 * edge:
            holes.append(hole)
    if open_lines:
        points, patches = patch_loops(vertices, faces, open_lines, edge)
        vertices = np.vstack((vertices, points))
        parts += patches
        tags += [np.full(len(made), FILL, dtype=np.int8) for made in patches]
    for line in outer:
        vertices, made, own = _wall_up(vertices, faces, line, trim, bridges, planes)
        parts.append(made)
        tags.append(own)
    vertices, all_faces, _ = compact(vertices, np.concatenate(parts).astype(np.int32))
    return Closed(vertices, all_faces, np.concatenate(tags), holes)


def _plan_area(points: Array) -> float:
    x, y = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


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
        rim = max(borders, key=lambda line: _perimeter(skin.vertices[line]))
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


def _perimeter(rim: Array) -> float:
    return float(np.linalg.norm(np.roll(rim, -1, axis=0) - rim, axis=1).sum())


def _mind_the_crowns(mesh: Mesh, topology: Topology, trim: float, top: float) -> None:
    """Refuse a cut that leaves crowns on separate pieces."""
    if topology.shells < 2:
        return
    kept = np.zeros(len(mesh.faces), dtype=bool)
    kept[topology.face_map] = True
    rest = mesh.faces[~kept]
    high = mesh.vertices[rest, 2].min(axis=1) > max(trim, top - CROWN_BAND)
    if face_areas(mesh.vertices, rest[high]).sum() > 15.0:
        x, y, _ = mesh.vertices[rest[high]].reshape(-1, 3).mean(axis=0)
        raise GeometryError(
            f"a trim at {trim:.1f} mm above the base cuts the model apart around ({x:.0f}, {y:.0f})"
            " mm in model axes; choose a lower trim or a greater height, or cut lips, cheeks and"
            " tongue off the scan"
        )


def _hole(rim: Array, top: float) -> dict[str, Any]:
    """Measure a hole, and refuse one that a patch would only guess."""
    perimeter = _perimeter(rim)
    centred = rim - rim.mean(axis=0)
    turned = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    area = 0.5 * float(np.linalg.norm(turned))
    x, y, z = rim.mean(axis=0)
    if area > LARGEST_HOLE and z > top - 2.0 * CROWN_BAND:
        raise GeometryError(
            f"a hole of {area:.0f} mm² around ({x:.0f}, {y:.0f}, {z:.0f}) mm in model axes is too "
            "large to fill without guessing; rescan that place"
        )
    return {"area_mm2": area, "perimeter_mm": perimeter, "centre": [float(x), float(y), float(z)]}


def _wall_up(
    vertices: Array,
    faces: Faces,
    line: NDArray[np.int64],
    trim: float,
    bridges: Bridges,
    planes: Array | None,
) -> tuple[Array, Faces, NDArray[np.int8]]:
    """Close an outer border: skirts to the trim plane, straight walls, base."""
    foot = lay_foot(line, vertices, trim, SKIRT_STEP, bridges, planes)
    index = foot.vertex.copy()
    fresh = np.flatnonzero(index < 0)
    index[fresh] = len(vertices) + np.arange(len(fresh))
    level = np.column_stack((foot.points[fresh], np.full(len(fresh), trim)))
    vertices = np.vstack((vertices, level))
    parts: list[Faces] = []
    tags: list[NDArray[np.int8]] = []
    k = len(index)
    # No others have an edge between two places of the border.
    on = np.zeros(len(vertices), dtype=bool)
    on[line] = True
    a, b, c = (on[faces[:, corner]] for corner in range(3))
    beside = faces[(a & b) | (b & c) | (c & a)]
    for (first, last, chain), plane in zip(foot.stretches, foot.plane, strict=True):
        span = (last - first) % k or k
        below = index[(first + np.arange(span + 1)) % k]
        if plane:
            own, made = plane_wall(chain, below, vertices, beside, WALL_EDGE)
            vertices = np.vstack((vertices, own))
        else:
            made = skirt_faces(chain, below, vertices, beside)
        parts.append(made)
        tags.append(np.full(len(made), WALL, dtype=np.int8))
    if trim > 0.0:
        base = len(vertices) + np.arange(k)
        vertices = np.vstack((vertices, np.column_stack((foot.points, np.zeros(k)))))
        after, base_after = np.roll(index, -1), np.roll(base, -1)
        wall = np.concatenate(
            (np.column_stack((after, index, base)), np.column_stack((after, base, base_after)))
        )
        parts.append(wall.astype(np.int32))
        tags.append(np.full(len(wall), WALL, dtype=np.int8))
    else:
        base = index
    bottom = base[cap([foot.points])][:, ::-1]
    parts.append(bottom.astype(np.int32))
    tags.append(np.full(len(bottom), BASE, dtype=np.int8))
    return vertices, np.concatenate(parts), np.concatenate(tags)

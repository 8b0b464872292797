"""Turn one open surface into a closed solid that stands on z = 0."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.borders import cut_back, step_back
from geometry.model.cutting import cut_surface
from geometry.model.halfedges import Faces, compact, face_areas
from geometry.model.mending import crossings_near, mend_crossings, mend_handles
from geometry.model.patches import median_edge, patch_loop, surroundings
from geometry.model.skirts import CrossedBorder, cap, lay_foot, skirt_faces
from geometry.topology import analyse

Array = NDArray[np.float64]

SCAN, WALL, BASE, FILL, FLOOR = 0, 1, 2, 3, 4
SNAP = 0.002
FLOOR_THICKNESS = 1.5
LARGEST_HOLE = 60.0
CROWN_BAND = 6.0
UPRIGHT_ROUNDS = 6
SKIRT_ROUNDS = 7
SKIRT_STEP = 0.35


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
    """

    vertices: Array
    faces: Faces
    kind: NDArray[np.int8]
    holes: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def close_surface(surface: Mesh, trim: float, top: float) -> Closed:
    """Cut a surface at the trim plane, fill its holes and close it to the base.

    Parameters
    ----------
    surface : Mesh
        One piece in model axes, two faces an edge at most, normals outward;
        the base plane is z = 0.
    trim : float
        Height at which the surface is cut and straight walls begin.
    top : float
        Height of the incisal edges.

    Raises
    ------
    GeometryError
        The cut would take a tooth, a hole is too large to guess, or the border
        cannot be closed without crossing the surface.
    """
    notes: list[str] = []
    mesh = _cut_at(surface, trim, top, notes)
    mended = mend_crossings(mesh, np.full(len(mesh.faces), SCAN, dtype=np.int8), FILL)
    if mended.places:
        notes.append("small places where the scan crosses itself were smoothed over")
    mesh, kind = mended.mesh, mended.kind
    solid, trimmed = _stand_safely(mesh, kind, trim, top)
    if trimmed:
        notes.append("the scan's border was trimmed a little where it folds")
    mended = mend_handles(Mesh(solid.vertices, solid.faces), solid.kind, FILL, SCAN)
    if mended.places:
        mended_again = mend_crossings(mended.mesh, mended.kind, FILL)
        notes.append("tiny tunnels between touching surfaces were closed")
        solid = Closed(mended_again.mesh.vertices, mended_again.mesh.faces, mended_again.kind,
                       solid.holes)
    solid.notes = notes
    return solid


def _stand_safely(
    mesh: Mesh, kind: NDArray[np.int8], trim: float, top: float
) -> tuple[Closed, bool]:
    """Close a cut surface; cut its border back where walls would cross it.

    Upright walls are tried first, and again after the border was cut back along
    smooth upright lines; then skirts, which bridge what walls cannot.
    """
    place = np.zeros(3)
    start = (mesh, kind)
    for attempt in range(UPRIGHT_ROUNDS + SKIRT_ROUNDS):
        if attempt == UPRIGHT_ROUNDS:
            mesh, kind = start
        try:
            solid = _assemble(mesh, kind, trim, top, attempt == 0)
        except CrossedBorder as crossed:
            centres = crossed.places
        else:
            whole = Mesh(solid.vertices, solid.faces)
            # The scan itself was mended already; the base is one flat outline.
            made = (solid.kind != SCAN) & (solid.kind != BASE)
            count, pairs = crossings_near(whole, made, solid.kind == FILL)
            if not count:
                return solid, attempt > 0
            centres = solid.vertices[solid.faces[pairs]].mean(axis=(1, 2))
        place = centres[0]
        if attempt < UPRIGHT_ROUNDS - 1:
            mesh, kind = cut_back(mesh, kind, centres, trim, attempt)
        elif attempt >= UPRIGHT_ROUNDS:
            mesh, kind = step_back(mesh, kind, centres, 0.4 * (attempt - UPRIGHT_ROUNDS + 1))
    x, y, z = place
    raise GeometryError(
        f"the scan's border folds over itself around ({x:.0f}, {y:.0f}, {z:.0f}) mm in model "
        "axes and cannot be closed safely; raise the trim, or cut the border back there"
    )


def _assemble(
    mesh: Mesh, kind: NDArray[np.int8], trim: float, top: float, upright: bool
) -> Closed:
    """Fill the holes of a cut surface and stand its border on the base."""
    topology = analyse(mesh, self_intersections=False)
    vertices, faces = topology.main.vertices, topology.main.faces
    loops = [topology.border, *topology.holes] if topology.border is not None else []
    tags = [kind[topology.face_map]]
    parts = [faces]
    holes: list[dict[str, Any]] = []
    outer: list[NDArray[np.int64]] = []
    inner: list[NDArray[np.int64]] = []
    for loop in loops:
        line = loop.vertices.astype(np.int64)
        standing = bool((vertices[line, 2] <= trim).any())
        if standing and _plan_area(vertices[line]) > 0:
            outer.append(line)
        else:
            inner.append(line)
    if not outer and inner:
        outer.append(inner.pop(int(np.argmax([_plan_area(vertices[line]) for line in inner]))))
    edge = median_edge(vertices, faces)
    around = surroundings(faces, inner, len(vertices))
    for line in inner:
        if bool(np.ptp(vertices[line, 2]) == 0.0 and vertices[line[0], 2] <= trim):
            made = line[::-1][cap([vertices[line[::-1], :2]])].astype(np.int32)
            parts.append(made)
            tags.append(np.full(len(made), FLOOR, dtype=np.int8))
            continue
        hole = _hole(vertices[line], top)
        vertices, made = patch_loop(vertices, around, line, edge)
        parts.append(made)
        tags.append(np.full(len(made), FILL, dtype=np.int8))
        if hole["perimeter_mm"] > 6.0 * edge:
            holes.append(hole)
    for line in outer:
        vertices, made, own = _stand(vertices, faces, line, trim, upright)
        parts.append(made)
        tags.append(own)
    vertices, all_faces, _ = compact(vertices, np.concatenate(parts).astype(np.int32))
    return Closed(vertices, all_faces, np.concatenate(tags), holes)


def _plan_area(points: Array) -> float:
    x, y = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def _cut_at(surface: Mesh, trim: float, top: float, notes: list[str]) -> Mesh:
    """Cut away what lies below the trim and reaches the border; keep enclosed hollows."""
    z = surface.vertices[:, 2].copy()
    z[np.abs(z - trim) < SNAP] = trim
    below = z < trim
    if not below.any():
        return surface
    faces = surface.faces
    low = np.flatnonzero(below)
    rank = np.full(len(z), -1, dtype=np.int64)
    rank[low] = np.arange(len(low))
    edges = np.concatenate((faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]))
    pairs = rank[edges[below[edges].all(axis=1)]]
    graph = coo_matrix(
        (np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(low),) * 2
    )
    label = connected_components(graph, directed=False)[1]
    topology = analyse(surface, self_intersections=False)
    reached = np.zeros(int(label.max()) + 1, dtype=bool)
    if topology.border is None:
        reached[label[np.argmin(z[low])]] = True
    else:
        rim = topology.vertex_map[topology.border.vertices]
        reached[label[rank[rim[below[rim]]]]] = True
    enclosed = np.zeros(len(z), dtype=bool)
    enclosed[low] = ~reached[label]
    field_ = np.where(enclosed, 1.0, z - trim)
    points = surface.vertices.copy()
    points[z == trim, 2] = trim
    v, f, origin, _ = cut_surface(points, faces, field_)
    v[origin < 0, 2] = trim
    if enclosed.any() and float(z[enclosed].min()) < FLOOR_THICKNESS:
        # A hollow (a palate) deeper than the base is thick gets a flat floor.
        inside = np.zeros(len(v), dtype=bool)
        inside[origin >= 0] = enclosed[origin[origin >= 0]]
        depth = v[:, 2] - FLOOR_THICKNESS
        depth[np.abs(depth) < SNAP] = 0.0
        v = v.copy()
        v[inside & (depth == 0.0), 2] = FLOOR_THICKNESS
        v, f, origin, _ = cut_surface(v, f, np.where(inside, depth, 1.0))
        v[origin < 0, 2] = FLOOR_THICKNESS
        notes.append("the palate lies below the base there and was floored flat")
    if not len(f):
        raise GeometryError(
            f"nothing of the scan lies above the trim at {trim:.1f} mm; lower the trim"
        )
    _mind_the_crowns(Mesh(v, f), trim, top)
    return Mesh(v, f)


def _mind_the_crowns(mesh: Mesh, trim: float, top: float) -> None:
    """Refuse a cut that leaves crowns on separate pieces."""
    topology = analyse(mesh, self_intersections=False)
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
            " mm in model axes; choose a lower trim or a greater height"
        )


def _hole(rim: Array, top: float) -> dict[str, Any]:
    """Measure a hole, and refuse one that a patch would only guess."""
    step = np.roll(rim, -1, axis=0) - rim
    perimeter = float(np.linalg.norm(step, axis=1).sum())
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


def _stand(
    vertices: Array, faces: Faces, line: NDArray[np.int64], trim: float, upright: bool
) -> tuple[Array, Faces, NDArray[np.int8]]:
    """Close an outer border: skirts to the trim plane, straight walls, base."""
    foot = lay_foot(line, vertices, trim, SKIRT_STEP, upright)
    index = foot.vertex.copy()
    fresh = np.flatnonzero(index < 0)
    index[fresh] = len(vertices) + np.arange(len(fresh))
    level = np.column_stack((foot.points[fresh], np.full(len(fresh), trim)))
    vertices = np.vstack((vertices, level))
    parts: list[Faces] = []
    tags: list[NDArray[np.int8]] = []
    k = len(index)
    for first, last, chain in foot.stretches:
        span = (last - first) % k or k
        below = index[(first + np.arange(span + 1)) % k]
        made = skirt_faces(chain, below, vertices, faces)
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

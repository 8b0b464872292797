"""Fill the holes of a cut surface and stand its border on the base."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.base.bridges import Bridges
from geometry.model.base.skirts import Foot, lay_foot, plane_wall, skirt_faces
from geometry.model.bodies.underside import cap
from geometry.model.surface.halfedges import Faces, compact
from geometry.model.surface.kinds import BASE, FILL, FLOOR, SCAN, WALL
from geometry.model.surface.mending import Spot, mend_crossings, mend_handles
from geometry.model.surface.patches import median_edge, patch_loops
from geometry.model.surface.skin import Skin, loops_of, skin_of, tails

Array = NDArray[np.float64]

LARGEST_HOLE = 60.0
CROWN_BAND = 6.0
SKIRT_STEP = 0.35
WALL_EDGE = 0.5


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


def mend(solid: Closed) -> None:
    """Mend the tunnels and crossings of a closed solid in place."""
    handles = mend_handles(skin_of(Mesh(solid.vertices, solid.faces), solid.kind), FILL, SCAN)
    # What crosses nothing now is left as it is: only patches can be at fault.
    crossings = mend_crossings(handles.skin, FILL, whole=False)
    solid.spots += handles.spots + crossings.spots
    solid.vertices, solid.faces, _ = compact(crossings.skin.vertices, crossings.skin.faces)
    solid.kind = crossings.skin.kind


@dataclass(slots=True)
class Ground:
    """Where a surface comes to stand.

    Attributes
    ----------
    trim : float
        Height at which the surface was cut and straight walls begin.
    top : float
        Height of the incisal edges.
    """

    trim: float
    top: float
    _known: dict[bytes, tuple[Array, Faces]] = field(default_factory=dict)

    def patches(
        self, vertices: Array, faces: Faces, lines: list[NDArray[np.int64]], edge: float
    ) -> tuple[Array, list[Faces]]:
        """Close holes as :func:`patch_loops` does; one that was closed before is closed alike."""
        count = len(vertices)
        keys = [vertices[line].tobytes() for line in lines]
        fresh = [n for n, key in enumerate(keys) if key not in self._known]
        if fresh:
            points, made = patch_loops(vertices, faces, [lines[n] for n in fresh], edge)
            for n, patch in zip(fresh, made, strict=True):
                own = np.unique(patch[patch >= count])
                number = np.concatenate((lines[n], own))
                order = np.argsort(number)
                local = order[np.searchsorted(number[order], patch)].astype(np.int32)
                self._known[keys[n]] = points[own - count], local
        parts, patches = [], []
        for key, line in zip(keys, lines, strict=True):
            own_points, corners = self._known[key]
            number = np.concatenate((line, count + np.arange(len(own_points))))
            patches.append(number[corners].astype(np.int32))
            parts.append(own_points)
            count += len(own_points)
        return np.concatenate(parts), patches


def assemble(skin: Skin, ground: Ground, bridges: Bridges, planes: Array | None) -> Closed:
    """Fill the holes of a cut surface and stand its border on the base."""
    trim, top = ground.trim, ground.top
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
    # Laid first: a plan that crosses itself needs no patches.
    feet = [lay_foot(line, vertices, trim, SKIRT_STEP, bridges, planes) for line in outer]
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
        points, patches = ground.patches(vertices, faces, open_lines, edge)
        vertices = np.vstack((vertices, points))
        parts += patches
        tags += [np.full(len(made), FILL, dtype=np.int8) for made in patches]
    for line, foot in zip(outer, feet, strict=True):
        vertices, made, own = _wall_up(vertices, faces, line, foot, trim)
        parts.append(made)
        tags.append(own)
    vertices, all_faces, _ = compact(vertices, np.concatenate(parts).astype(np.int32))
    return Closed(vertices, all_faces, np.concatenate(tags), holes)


def _plan_area(points: Array) -> float:
    x, y = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def perimeter(rim: Array) -> float:
    """Length of a closed line of points (k, 3), mm."""
    return float(np.linalg.norm(np.roll(rim, -1, axis=0) - rim, axis=1).sum())


def _hole(rim: Array, top: float) -> dict[str, Any]:
    """Measure a hole, and refuse one that a patch would only guess."""
    length = perimeter(rim)
    centred = rim - rim.mean(axis=0)
    turned = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    area = 0.5 * float(np.linalg.norm(turned))
    x, y, z = rim.mean(axis=0)
    if area > LARGEST_HOLE and z > top - 2.0 * CROWN_BAND:
        raise GeometryError(
            f"a hole of {area:.0f} mm² around ({x:.0f}, {y:.0f}, {z:.0f}) mm in model axes is too "
            "large to fill without guessing; rescan that place"
        )
    return {"area_mm2": area, "perimeter_mm": length, "centre": [float(x), float(y), float(z)]}


def _wall_up(
    vertices: Array,
    faces: Faces,
    line: NDArray[np.int64],
    foot: Foot,
    trim: float,
) -> tuple[Array, Faces, NDArray[np.int8]]:
    """Close an outer border: skirts to the trim plane, straight walls, base."""
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

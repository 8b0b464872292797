"""From a welded mesh to its pieces, borders and faults."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.topology.branches import join_parted, pair_branches, part_again
from geometry.topology.coarse import coarsen
from geometry.topology.edges import MANIFOLD_BROKEN, find_degenerate, pair_half_edges
from geometry.topology.intersections import find_intersections
from geometry.topology.pieces import (
    join_pieces,
    label_pieces,
    piece_areas,
    split_fans,
    trace_loops,
    wind_alike,
)
from geometry.topology.result import Island, Loop, Topology

# Twice the area over the longest side squared; below it the corners of a float32
# scan lie on a line.
_FLAT = 1e-9


def analyse(mesh: Mesh, *, self_intersections: bool = True) -> Topology:
    """Find pieces, borders, holes and faults of a surface.

    Parameters
    ----------
    mesh : Mesh
        Welded; any winding, any number of pieces.
    self_intersections : bool
        Whether to look for triangles that pass through each other.

    Raises
    ------
    GeometryError
        No triangle has three different corners.
    """
    if not self_intersections:
        return _analyse(mesh)
    # The search takes longer than all the rest, needs only the mesh and runs beside it.
    with ThreadPoolExecutor(max_workers=1) as beside:
        crossings = beside.submit(find_intersections, mesh)
        topology = _analyse(mesh)
        crossing, pairs = crossings.result()
    return replace(topology, self_intersections=crossing, intersecting=pairs)


def _analyse(mesh: Mesh) -> Topology:
    """Find everything but the triangles that pass through each other."""
    vertices, faces = mesh.vertices, mesh.faces
    count = len(faces)
    degenerate = np.empty(count, dtype=np.uint8)
    flat, _ = find_degenerate(vertices, faces, _FLAT, degenerate)
    aside = (degenerate == 2).astype(np.uint8)
    if aside.all():
        raise GeometryError("no triangle has three different corners; export the scan again")
    opposite = np.empty(3 * count, dtype=np.int32)
    duplicate = np.empty(count, dtype=np.uint8)
    edges = pair_half_edges(faces, len(vertices), aside, opposite, duplicate)
    duplicates = edges[3]
    if duplicates:
        aside |= duplicate
        edges = pair_half_edges(faces, len(vertices), aside, opposite, duplicate)
    label = np.empty(count, dtype=np.int32)
    pieces = label_pieces(opposite, aside, label)
    areas = np.zeros(pieces)
    piece_areas(vertices, faces, label, areas)
    main = int(np.argmax(areas))
    shells = pieces
    if edges[1]:
        shells = _rejoin(faces, opposite, label, pieces, main)
    face_map = np.flatnonzero(label == main).astype(np.int32)
    whole = len(face_map) == count
    inner = opposite if whole else _restrict(opposite, face_map)
    inner[inner < 0] = -1
    chosen = faces.copy() if whole else faces[face_map]
    if edges[1] or edges[2]:
        wind_alike(vertices, chosen, inner)
    four = pair_branches(vertices, chosen, inner) if edges[1] else None
    surface, vertex_map, loops = _open(vertices, chosen, inner)
    if four is not None and len(four):
        for change in (part_again, join_parted):
            if change(surface.faces, inner, four):
                surface, vertex_map, loops = _open(vertices, chosen, inner)
    loops.sort(key=lambda loop: -loop.perimeter_mm)
    return Topology(
        main=surface,
        vertex_map=vertex_map,
        face_map=face_map,
        opposite=inner,
        area_mm2=float(areas[main]),
        shells=shells,
        islands=_islands(mesh, label, areas, main),
        border=loops[0] if loops else None,
        holes=tuple(loops[1:]),
        border_edges=int(edges[0]),
        nonmanifold_edges=int(edges[1]),
        inconsistent_winding=int(edges[2]),
        degenerate_triangles=int(flat),
        duplicate_triangles=int(duplicates),
        self_intersections=None,
        intersecting=np.empty((0, 2), dtype=np.int32),
    )


def _rejoin(
    faces: NDArray[np.int32],
    opposite: NDArray[np.int32],
    label: NDArray[np.int32],
    pieces: int,
    main: int,
) -> int:
    """Pair the half-edges of the main piece where just two meet; return the shells."""
    half = np.flatnonzero(opposite == MANIFOLD_BROKEN)
    a, b = faces[half // 3, half % 3], faces[half // 3, (half % 3 + 1) % 3]
    key = np.minimum(a, b).astype(np.int64) << 32 | np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    half, key = half[order], key[order]
    labels = label[half // 3]
    shells = int(join_pieces(key, labels, pieces))
    mine = labels == main
    half, key = half[mine], key[mine]
    _, first, times = np.unique(key, return_index=True, return_counts=True)
    pairs = first[times == 2]
    opposite[half[pairs]] = half[pairs + 1]
    opposite[half[pairs + 1]] = half[pairs]
    return shells


def _restrict(opposite: NDArray[np.int32], face_map: NDArray[np.int32]) -> NDArray[np.int32]:
    """Renumber half-edges for a choice of triangles closed under pairing."""
    number = np.full(len(opposite) // 3, -1, dtype=np.int32)
    number[face_map] = np.arange(len(face_map), dtype=np.int32)
    old = opposite.reshape(-1, 3)[face_map].ravel()
    return np.where(old < 0, np.int32(-1), 3 * number[old // 3] + old % 3).astype(np.int32)


def _open(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], opposite: NDArray[np.int32]
) -> tuple[Mesh, NDArray[np.int32], list[Loop]]:
    """Split bow-ties and trace the loops."""
    corner_vertex = np.empty(faces.size, dtype=np.int32)
    origin = np.empty(faces.size, dtype=np.int32)
    border_out = np.empty(faces.size, dtype=np.int32)
    count = int(split_fans(faces, opposite, corner_vertex, origin, border_out))
    vertex_map = origin[:count].copy()
    surface = Mesh(vertices[vertex_map], corner_vertex.reshape(-1, 3))
    border = int(np.count_nonzero(border_out[:count] >= 0))
    chain = np.empty(border, dtype=np.int32)
    start = np.empty(border + 1, dtype=np.int32)
    loops = int(trace_loops(surface.faces, border_out, count, chain, start))
    found = [
        _measure(surface.vertices, chain[start[k] : start[k + 1]].copy()) for k in range(loops)
    ]
    return surface, vertex_map, found


def _measure(vertices: NDArray[np.float64], chain: NDArray[np.int32]) -> Loop:
    points = vertices[chain]
    after = np.roll(points, -1, axis=0)
    lengths = np.linalg.norm(after - points, axis=1)
    perimeter = float(lengths.sum())
    middles = (points + after) / 2.0
    centre = (
        (middles * lengths[:, None]).sum(axis=0) / perimeter if perimeter else points.mean(axis=0)
    )
    vector = np.cross(points - centre, after - centre).sum(axis=0) / 2.0
    return Loop(chain, perimeter, float(np.linalg.norm(vector)), centre)


def _islands(
    mesh: Mesh, label: NDArray[np.int32], areas: NDArray[np.float64], main: int
) -> tuple[Island, ...]:
    if len(areas) == 1:
        return ()
    used = label >= 0
    sums = np.zeros((len(areas), 3))
    sizes = np.bincount(label[used], minlength=len(areas))
    centres = mesh.triangles[used].mean(axis=1)
    for axis in range(3):
        sums[:, axis] = np.bincount(label[used], centres[:, axis], minlength=len(areas))
    order = [k for k in np.argsort(-areas, kind="stable").tolist() if k != main]
    return tuple(Island(int(sizes[k]), float(areas[k]), sums[k] / sizes[k]) for k in order)


def warm() -> None:
    """Compile everything the analysis needs, on a few triangles."""
    vertices = np.array(
        [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [0, -1, 1]], dtype=np.float64
    )
    faces = np.array(
        [[0, 1, 2], [0, 1, 3], [0, 1, 4], [0, 1, 5], [0, 1, 2], [1, 1, 2]], dtype=np.int32
    )
    found = analyse(Mesh(vertices, faces))
    _ = found.vertex_normals, found.neighbours
    coarsen(found.main, 0.5)
    twisted = Mesh(vertices, np.array([[0, 1, 2], [1, 4, 2], [0, 1, 3]], dtype=np.int32))
    analyse(twisted)

"""Topology against Euler's formula, known solids and trimesh with networkx.

Euler: V − E + F = 2 − 2 g − b for a connected orientable surface of genus g with b
borders. Solids with known genus and counts: reference values, section 12.
"""

import networkx as nx
import numpy as np
import pytest
import trimesh
from scipy.spatial import Delaunay

from geometry.mesh import Mesh
from geometry.topology import analyse


def as_mesh(body: trimesh.Trimesh) -> Mesh:
    return Mesh(np.asarray(body.vertices, float), np.asarray(body.faces, np.int32))


def euler(mesh: Mesh) -> int:
    edges = np.unique(np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    return len(mesh.vertices) - len(edges) + len(mesh.faces)


def washer() -> trimesh.Trimesh:
    """40 × 40 × 10 with a 20 × 20 hole: genus 1, volume 12000."""
    outer, hole = trimesh.creation.box([40, 40, 10]), trimesh.creation.box([20, 20, 12])
    return trimesh.boolean.difference([outer, hole], engine="manifold")


@pytest.mark.parametrize(
    ("body", "genus"),
    [
        (trimesh.creation.icosphere(subdivisions=3), 0),
        (trimesh.creation.torus(20, 4), 1),
        (washer(), 1),
    ],
)
def test_closed_solids_are_watertight_and_have_their_genus(
    body: trimesh.Trimesh, genus: int
) -> None:
    found = analyse(as_mesh(body))
    assert found.watertight
    assert found.boundary_loops == 0
    assert found.border is None
    assert found.self_intersections == 0
    assert euler(found.main) == 2 - 2 * genus


@pytest.mark.parametrize("seed", range(6))
def test_torn_surfaces_agree_with_euler_and_the_reference(seed: int) -> None:
    rng = np.random.default_rng(seed)
    body = trimesh.creation.torus(25, 8, major_sections=90, minor_sections=45)
    body.update_faces(rng.random(len(body.faces)) > 0.12)
    mesh = as_mesh(body)
    found = analyse(mesh)
    pieces = trimesh.graph.connected_components(
        body.face_adjacency, nodes=np.arange(len(body.faces))
    )
    assert found.shells == len(pieces)
    largest = max(pieces, key=lambda p: body.area_faces[p].sum())
    assert set(found.face_map.tolist()) == set(largest.tolist())
    assert found.border_edges == len(
        trimesh.grouping.group_rows(body.edges_sorted, require_count=1)
    )
    genus_and_borders = 2 - euler(found.main)
    assert genus_and_borders - found.boundary_loops in (0, 2)
    total = sum(loop.perimeter_mm for loop in (found.border, *found.holes) if loop)
    part = body.submesh([largest], append=True, repair=False)
    edges = part.edges_sorted[trimesh.grouping.group_rows(part.edges_sorted, require_count=1)]
    assert total == pytest.approx(
        np.linalg.norm(np.diff(part.vertices[edges], axis=1), axis=2).sum()
    )


def test_two_cubes_that_share_an_edge() -> None:
    """14 vertices, 24 triangles, one edge of four triangles (a known bad-mesh case)."""
    one = trimesh.creation.box([1, 1, 1])
    two = one.copy().apply_translation([1, 1, 0])
    both = trimesh.util.concatenate([one, two])
    both.merge_vertices()
    found = analyse(as_mesh(both))
    assert (len(both.vertices), len(both.faces)) == (14, 24)
    assert found.nonmanifold_edges == 1
    assert found.shells == 1
    assert not found.watertight
    assert len(found.main.faces) == 12
    assert found.boundary_loops == 0


def test_two_parts_wound_against_each_other_inside() -> None:
    """Closed parts with inconsistent winding must be told."""
    body = trimesh.creation.icosphere(subdivisions=2)
    faces = np.asarray(body.faces, np.int32).copy()
    faces[:40] = faces[:40, ::-1]
    found = analyse(Mesh(np.asarray(body.vertices), faces))
    turned = trimesh.Trimesh(body.vertices, faces, process=False)
    assert not turned.is_winding_consistent
    assert found.inconsistent_winding > 0
    assert found.watertight
    assert trimesh.Trimesh(
        found.main.vertices, found.main.faces, process=False
    ).is_winding_consistent


@pytest.mark.parametrize("seed", range(4))
def test_loops_are_the_cycles_of_the_border_graph(seed: int) -> None:
    """Where no bow-tie lies on it, a border is a plain graph and its loops are its parts."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 40, (900, 2))
    flat = Delaunay(points)
    faces = flat.simplices
    for _ in range(5):
        centre = rng.uniform(8, 32, 2)
        faces = faces[np.linalg.norm(points[faces].mean(axis=1) - centre, axis=1) > 2.2]
    mesh = Mesh(np.column_stack([points, np.zeros(900)]), faces.astype(np.int32))
    found = analyse(mesh)
    main = trimesh.Trimesh(found.main.vertices, found.main.faces, process=False)
    edges = main.edges_sorted[trimesh.grouping.group_rows(main.edges_sorted, require_count=1)]
    graph = nx.Graph(edges.tolist())
    assert all(degree == 2 for _, degree in graph.degree)
    assert found.boundary_loops == nx.number_connected_components(graph)


def test_crossing_spheres_agree_with_the_circle_they_meet_in() -> None:
    """Two spheres that overlap cross along a circle; apart or nested they do not."""
    one = trimesh.creation.icosphere(subdivisions=3, radius=10)
    for shift, crossing in ((13.0, True), (25.0, False), (0.0, False)):
        two = trimesh.creation.icosphere(subdivisions=3, radius=10 if shift else 6)
        two.apply_translation([shift, 0.3, 0.1])
        both = trimesh.util.concatenate([one, two])
        found = analyse(as_mesh(both))
        assert found.self_intersections is not None
        assert (found.self_intersections > 40) == crossing
        middles = both.triangles_center[found.intersecting.ravel()]
        if crossing:
            assert np.abs(middles[:, 0] - shift / 2).max() < 1.5

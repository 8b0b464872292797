"""Patches that close a loop, on flat and round surfaces."""

import numpy as np
import pytest
import shapely
from scipy.spatial import Delaunay

from geometry.mesh import Mesh
from geometry.model.bodies.cubes import zero_surface
from geometry.model.surface.halfedges import SIDES, face_areas
from geometry.model.surface.patches import fill_loop, patch_loop, patch_loops, refine_patch
from geometry.model.surface.skin import (
    skin_of,
    tails,
    without,
)
from geometry.topology import analyse
from tests.geometry.model.bodies import ball_field


def test_a_flat_loop_is_filled_flat():
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ring = np.column_stack((np.cos(angle), np.sin(angle), np.zeros(40)))
    faces = fill_loop(ring)
    assert len(faces) == 38
    assert face_areas(ring, faces).sum() == pytest.approx(0.5 * 40 * np.sin(2 * np.pi / 40))


def test_a_loop_lays_no_second_edge_over_one_that_is_there():
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    faces = fill_loop(square, taken=[(0, 2)])
    assert not any({0, 2} <= set(face) for face in faces.tolist())


def test_holes_closed_together_are_closed_as_each_alone():
    v, f = zero_surface(ball_field(15.0))
    centre = v.mean(axis=0)
    away = v[f].mean(axis=1) - centre
    gone = np.zeros(len(f), dtype=bool)
    for way in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.1), (0.0, -0.7, 0.7), (-0.6, 0.0, -0.8)):
        gone |= away @ np.array(way) > 14.0
    skin = skin_of(Mesh(v, f), np.zeros(len(f), dtype=np.int8))
    rest, openings, _ = without(skin, gone)
    lines = [tails(rest, half) for half in openings]
    assert len(lines) == 4
    points, patches = patch_loops(rest.vertices, rest.faces, lines, 1.0)
    assert np.abs(np.linalg.norm(points - centre, axis=1) - 15.0).max() < 0.5
    everything = np.vstack((rest.vertices, points))
    for line, patch in zip(lines, patches, strict=True):
        grown, alone = patch_loop(rest.vertices, rest.faces, line, 1.0)
        assert len(alone) == len(patch)
        assert everything[patch] == pytest.approx(grown[alone], abs=1e-9)


def test_a_refined_patch_is_delaunay():
    """Compared with another library's triangulation of the same points in the plane."""
    angle = np.linspace(0.0, 2.0 * np.pi, 30, endpoint=False)
    ring = np.column_stack((5.0 * np.cos(angle), 5.0 * np.sin(angle), np.zeros(30)))
    ring[:, :2] += np.random.default_rng(4).normal(0.0, 0.02, (30, 2))
    points, faces = refine_patch(ring, fill_loop(ring), 1.5)
    assert len(points) > len(ring)
    other = Delaunay(points[:, :2]).simplices
    ours, theirs = (
        {frozenset(face[k] for k in pair) for face in made.tolist() for pair in SIDES}
        for made in (faces, other)
    )
    assert len(ours & theirs) > 0.95 * len(ours)
    assert face_areas(points, faces).sum() == pytest.approx(shapely.Polygon(ring).area)


def test_a_patch_continues_a_ball():
    v, f = zero_surface(ball_field(15.0))
    centre = np.full(3, 19.7)
    keep = (v[f].mean(axis=1) - centre) @ np.array([0.6, 0.0, 0.8]) < 13.0
    topology = analyse(Mesh(v, f[keep]))
    mesh = topology.main
    line = topology.border.vertices.astype(np.int64)
    grown, patch = patch_loop(mesh.vertices, mesh.faces, line, 1.0)
    radius = np.linalg.norm(grown[len(mesh.vertices) :] - centre, axis=1)
    # A flat patch would lie 2 mm too low.
    assert np.abs(radius - 15.0).max() < 0.8
    assert analyse(Mesh(grown, np.vstack((mesh.faces, patch)))).watertight

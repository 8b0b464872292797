"""The compiled search against brute force."""

import numpy as np
import trimesh

from geometry.mesh import Mesh
from geometry.motion import small_motion
from geometry.series.fitting import fit
from geometry.series.surface import Surface


def bumpy(seed):
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(subdivisions=3, radius=6.0)
    points = ball.vertices * (1.0 + 0.1 * rng.normal(size=(len(ball.vertices), 1)))
    return Mesh(points * [1.0, 0.6, 1.4], ball.faces.astype(np.int32))


def test_nearest_equals_every_triangle_tried():
    mesh = bumpy(1)
    queries = np.random.default_rng(2).uniform(-9, 9, (150, 3))
    feet, face = Surface.of(mesh).nearest(queries, 3.0)
    triangles = mesh.triangles
    for query, foot, f in zip(queries, feet, face, strict=True):
        best = trimesh.triangles.closest_point(triangles, np.repeat(query[None], len(triangles), 0))
        least = np.linalg.norm(best - query, axis=1).min()
        if least < 3.0:
            assert f >= 0
            assert np.isclose(np.linalg.norm(foot - query), least, atol=1e-9)
        else:
            assert f == -1


def test_scattered_points_lie_on_the_surface():
    surface = Surface.of(bumpy(3))
    points, _ = surface.scatter(400)
    feet, face = surface.nearest(points, 0.5)
    assert (face >= 0).all()
    assert np.linalg.norm(points - feet, axis=1).max() < 1e-9


def test_fit_undoes_a_motion():
    mesh = bumpy(4)
    target = Surface.of(mesh)
    motion = small_motion(np.array([0.03, -0.02, 0.04, 0.2, -0.1, 0.15]))
    points, normals = Surface.of(mesh.transformed(motion)).scatter(1500)
    found = fit(target, points, normals, np.eye(4), [(2.0, 0.5, 30), (1.0, 0.1, 30)])
    assert np.abs(found.motion @ motion - np.eye(4)).max() < 2e-3

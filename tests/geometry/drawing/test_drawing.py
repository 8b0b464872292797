"""Pictures show what is there; files for the browser are valid glTF."""

from __future__ import annotations

import io

import numpy as np
import pytest
import trimesh
from PIL import Image

from geometry.drawing import draw_solid, mesh_glb, project, render, view_from
from geometry.mesh import Mesh


def ball(level: int = 3, radius: float = 10.0) -> Mesh:
    made = trimesh.creation.icosphere(level, radius)
    return Mesh(np.asarray(made.vertices, float), np.asarray(made.faces, np.int32))


def test_a_sphere_covers_its_disc_and_is_nearest_in_the_middle():
    mesh = ball(4)
    view = view_from(mesh.vertices, np.array([0, 0, 1.0]), np.array([0, 1.0, 0]), (200, 160))
    image, depth = render(mesh, view)
    covered = np.isfinite(depth).sum() / view.scale**2
    assert covered == pytest.approx(np.pi * 100, rel=0.02)
    row, column = np.unravel_index(np.argmax(depth), depth.shape)
    assert abs(row - 80) <= 3
    assert abs(column - 100) <= 3
    assert image.shape == (160, 200, 3)


def test_the_nearer_surface_hides_the_farther_one():
    near, far = ball(2, 3.0), ball(2, 6.0)
    both = Mesh(
        np.vstack([far.vertices, near.vertices + [0, 0, 20.0]]),
        np.vstack([far.faces, near.faces + len(far.vertices)]).astype(np.int32),
    )
    view = view_from(both.vertices, np.array([0, 0, 1.0]), np.array([0, 1.0, 0]), (120, 120))
    colours = np.repeat(
        [[255.0, 0, 0], [0, 0, 255.0]], [len(far.vertices), len(near.vertices)], axis=0
    )
    image, _ = render(both, view, colours)
    x, y, _ = project(view, np.array([[0, 0, 0.0]]))[0]
    red, _, blue = image[int(y), int(x)]
    assert blue > red


def test_the_browser_file_is_read_by_another_library_and_keeps_the_scalars():
    mesh = ball(3)
    glb = mesh_glb(mesh, {"undercut": mesh.vertices[:, 2]})
    scene = trimesh.load(io.BytesIO(glb), file_type="glb")
    read = next(iter(scene.geometry.values()))
    assert len(read.faces) == len(mesh.faces)
    assert read.volume == pytest.approx(trimesh.Trimesh(mesh.vertices, mesh.faces).volume, rel=1e-4)
    depth = np.asarray(read.vertex_attributes["_UNDERCUT"]).ravel()
    assert np.abs(depth - read.vertices[:, 2]).max() < 1e-4


def test_a_large_mesh_is_brought_below_the_limit():
    assert len(mesh_glb(ball(6), {"undercut": np.zeros(40962)}, limit=300_000)) <= 300_000


def test_a_still_picture_of_a_solid_is_a_png_of_the_size_asked_for():
    assert Image.open(io.BytesIO(draw_solid(ball(), 320, 240))).size == (320, 240)

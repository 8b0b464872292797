"""Compiled sampling and voting against plain versions."""

from __future__ import annotations

import numpy as np

from geometry.compare.samples import take_samples
from geometry.compare.start import _votes, first_guesses
from geometry.mesh import Mesh
from geometry.motion import small_motion

RNG = np.random.default_rng(9)


def ball(radius: float, rows: int = 60) -> Mesh:
    theta = np.linspace(0.05, np.pi - 0.05, rows)
    phi = np.linspace(0, 2 * np.pi, 2 * rows, endpoint=False)
    t, p = np.meshgrid(theta, phi, indexing="ij")
    points = radius * np.stack([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), np.cos(t)], axis=-1)
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(2 * rows), indexing="ij")
    k = (j + 1) % (2 * rows)
    a, b, c, d = i * 2 * rows + j, i * 2 * rows + k, (i + 1) * 2 * rows + j, (i + 1) * 2 * rows + k
    faces = np.concatenate([np.stack([a, c, b], -1), np.stack([b, c, d], -1)]).reshape(-1, 3)
    return Mesh(points.reshape(-1, 3), faces.astype(np.int32))


def test_samples_of_a_sphere():
    mesh = ball(10.0)
    samples = take_samples(mesh, 1.0)
    radius = np.linalg.norm(samples.points, axis=1)
    assert (np.abs(radius - 10.0) < 0.12).all()
    outward = samples.points / radius[:, None]
    assert (np.abs((samples.normals * outward).sum(axis=1)) > 0.99).all()
    ends = np.abs(samples.points[:, 2]) > 9.9
    assert samples.border[ends].any()
    assert not samples.border[np.abs(samples.points[:, 2]) < 9.0].any()


def test_one_sample_a_cell():
    mesh = ball(10.0)
    samples = take_samples(mesh, 2.0)
    low = mesh.vertices[mesh.faces].reshape(-1, 3).min(axis=0) - 2.0
    centres = mesh.triangles.mean(axis=1)
    cells = np.unique(np.floor((centres - low) / 2.0).astype(int), axis=0)
    assert samples.points.shape[0] == cells.shape[0]


def test_votes_meet_at_the_planted_motion():
    a = np.concatenate([RNG.uniform(-25, 25, (30, 2)), RNG.normal(0, 0.5, (30, 1))], axis=1)
    turn, shift = np.radians(51.0), np.array([7.0, -12.0])
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shared = a[:14].copy()
    shared[:, :2] = (shared[:, :2] - shift) @ spin
    b = np.concatenate([shared, RNG.uniform(-25, 25, (10, 3)) * [1, 1, 0.02]])
    best = first_guesses(a, b, 1)[0]
    assert abs(np.degrees(np.arctan2(best[1, 0], best[0, 0])) - 51.0) < 3.1
    np.testing.assert_allclose(best[:2, 3], shift, atol=1.5)


def test_votes_are_shared_out_whole():
    a = np.array([[0.0, 0.0, 0.0]])
    b = np.array([[3.3, -4.1, 0.5], [3.3, -4.1, 9.0]])
    votes = _votes(a, b, np.zeros(1), 1.2, 2.0)
    assert 0.25 <= votes[0, 0] <= 1.0
    np.testing.assert_allclose(votes[0, 1:], [-3.3, 4.1], atol=0.6)


def test_small_motion_is_rigid():
    motion = small_motion(np.array([0.2, -0.1, 0.3, 1.0, 2.0, 3.0]))
    np.testing.assert_allclose(motion[:3, :3] @ motion[:3, :3].T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(motion[:3, 3], [1.0, 2.0, 3.0])

"""Compiled code against slow and plain versions of the same."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from geometry.frame.arch.row_curve import fit_row_curve
from geometry.frame.arch.teeth import _lay_row, _notches
from geometry.frame.plane import _best_plane, _fit
from geometry.frame.relief import _highest, basis_of
from geometry.frame.surface import (
    _border_vertices,
    _face_areas_and_edges,
    _fill_points,
    _vertex_components,
)
from geometry.frame.tips import _peaks

RNG = np.random.default_rng(5)


def sheet(rows: int, columns: int, drop: float = 0.0):
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    vertices = np.stack([x, y, RNG.normal(size=x.shape)], axis=-1).reshape(-1, 3).astype(float)
    corner = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).ravel()
    faces = np.concatenate(
        [
            np.stack([corner, corner + 1, corner + columns + 1], axis=1),
            np.stack([corner, corner + columns + 1, corner + columns], axis=1),
        ]
    )
    faces = faces[RNG.random(faces.shape[0]) >= drop]
    flip = RNG.random(faces.shape[0]) < 0.5
    faces[flip] = faces[flip, ::-1]
    return vertices, faces.astype(np.int32)


@pytest.mark.parametrize("drop", [0.0, 0.1, 0.5])
def test_border_is_where_an_edge_has_one_face(drop):
    vertices, faces = sheet(12, 15, drop)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    unique, count = np.unique(edges, axis=0, return_counts=True)
    expected = np.zeros(vertices.shape[0], dtype=bool)
    expected[unique[count == 1].ravel()] = True
    np.testing.assert_array_equal(_border_vertices(faces, vertices.shape[0]), expected)


def test_components_agree_with_a_graph_library():
    vertices, faces = sheet(14, 14, 0.6)
    n = vertices.shape[0]
    a, b = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]]).T
    _, expected = connected_components(coo_matrix((np.ones(a.size), (a, b)), (n, n)), False)
    found = _vertex_components(faces, n)
    same = found[:, None] == found[None]
    np.testing.assert_array_equal(same, expected[:, None] == expected[None])


def test_areas_and_longest_edges():
    vertices, faces = sheet(6, 7)
    area, longest = _face_areas_and_edges(vertices, faces)
    a, b, c = vertices[faces].transpose(1, 0, 2)
    np.testing.assert_allclose(area, 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1))
    sides = [np.linalg.norm(p - q, axis=1) for p, q in ((a, b), (b, c), (c, a))]
    np.testing.assert_allclose(longest, np.max(sides, axis=0))


def test_fill_points_lie_in_their_faces_and_leave_no_gap():
    vertices = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0]])
    faces = np.array([[0, 1, 2]], dtype=np.int32)
    points = _fill_points(vertices, faces, np.array([5.0]), 0.45, 0.8, 1000)
    assert points.shape[0] == 49
    assert (points[:, :2] > 0).all()
    assert (points[:, 0] / 4 + points[:, 1] / 3 < 1).all()
    inside = RNG.dirichlet([1, 1, 1], 300) @ vertices
    apart = np.linalg.norm(inside[:, None] - points[None], axis=2).min(axis=1)
    assert apart.max() < 0.8


def test_relief_keeps_the_highest_point_of_each_cell():
    points = RNG.normal(size=(400, 3)) * 3
    rotation = basis_of(np.array([0.3, -0.5, 0.8]))
    local, z, index, x0, y0 = _highest(points, rotation, 0.5)
    np.testing.assert_allclose(local, points @ rotation.T, atol=1e-12)
    expected = {}
    for k, (x, y, h) in enumerate(local):
        cell = (int((y - y0) / 0.5 + 0.5), int((x - x0) / 0.5 + 0.5))
        if h > expected.get(cell, (-np.inf, -1))[0]:
            expected[cell] = (h, k)
    assert {tuple(c) for c in np.argwhere(index >= 0)} == set(expected)
    for cell, (h, k) in expected.items():
        assert z[cell] == h
        assert index[cell] == k


def test_peaks_are_highest_around():
    z = RNG.normal(size=(40, 50))
    index = np.arange(z.size, dtype=np.int32).reshape(z.shape)
    border = np.zeros(z.size, dtype=bool)
    border[RNG.integers(0, z.size, 60)] = True
    cells, _ = _peaks(z, index, border, 4.0, 5.0, 0.0, 0.0, -10.0)
    expected = set()
    rows, columns = np.indices(z.shape)
    for r in range(z.shape[0]):
        for c in range(z.shape[1]):
            distance = (rows - r) ** 2 + (columns - c) ** 2
            near = (distance <= 16) & (distance > 0)
            cut_here = border[index] & (distance > 0) & (distance <= 9) & (z[r, c] - z < 0.5)
            if not border[index[r, c]] and (z[near] < z[r, c]).all() and not cut_here.any():
                expected.add((r, c))
    assert {tuple(c) for c in cells} == expected


def test_plane_fit_without_outliers_is_least_squares():
    points = np.concatenate([RNG.uniform(-25, 25, (60, 2)), RNG.normal(0, 0.2, (60, 1))], axis=1)
    start = np.array([0.05, -0.03, 1.0])
    axis, level, inside = _fit(points, np.ones(60), start, 0.1, 50.0, 50.0, 100.0)
    centred = points - points.mean(axis=0)
    normal = np.linalg.svd(centred)[2][2]
    assert abs(axis @ normal) == pytest.approx(1.0, abs=1e-9)
    assert level == pytest.approx(axis @ points.mean(axis=0), abs=1e-9)
    assert inside.all()


def test_plane_search_finds_what_most_tips_share():
    tips = np.concatenate([RNG.uniform(-25, 25, (40, 2)), RNG.normal(0, 0.3, (40, 1))], axis=1)
    others = RNG.uniform(-25, 25, (25, 3)) * [1, 1, 0.4] - [0, 0, 14]
    points = np.vstack([tips, others])
    score, axis, level = _best_plane(
        points, np.ones(65), np.array([0.2, 0.1, 0.97]), 0.8, 2.0, 200, 1
    )
    assert axis[2] > np.cos(np.radians(3.0))
    assert abs(level) < 1.0
    assert score > 25


def test_notch_depth():
    profile = np.full(101, 5.0)
    profile[50] = 4.4
    profile[80:] = 2.0  # a step is not a notch
    depth = _notches(profile, 3.0)
    assert depth[50] == pytest.approx(0.6)
    assert depth[60:].max() == 0.0


def brute_row(signal, widths, middle, zero, step, needed, width_sd, midline_sd, outside):
    """Every way to place the boundaries of a short row."""
    n = signal.size
    best = -np.inf

    def place(b, p, score):
        nonlocal best
        here = 2.0 * (signal[p] - needed)
        if b == middle:
            here -= 0.5 * min(((p - zero) * step / midline_sd) ** 2, 9.0)
        score += here
        if b > 0:
            best = max(best, score - outside * (n - 1 - p) * step)
        if b == len(widths):
            return
        for q in range(p + 1, n):
            off = (q - p) * step / widths[b]
            if int(0.7 * widths[b] / step) <= q - p <= int(1.3 * widths[b] / step):
                place(b + 1, q, score - 0.5 * ((off - 1.0) / width_sd) ** 2)

    for b in range(len(widths) + 1):
        for p in range(n):
            place(b, p, -outside * p * step)
    return best


def test_row_of_teeth_against_all_placements():
    step = 1.0
    widths = np.array([5.0, 4.0, 6.0])
    for _ in range(5):
        signal = RNG.random(22)
        found = _lay_row(signal, 0, 21, 9, widths, 1, 1.0, step, 0.35, 0.1, 2.5, 1e9, 0.12)
        expected = brute_row(signal, widths, 1, 9, step, 0.35, 0.1, 2.5, 0.12)
        assert found == pytest.approx(expected, abs=1e-9)


def test_arch_form_follows_a_turned_arch():
    u = np.linspace(-0.49, 0.49, 200)
    curve = np.stack([54 * u, 42 * (4 * (0.25 - u * u)) ** 0.65], axis=1)
    turn = np.radians(130.0)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    form = fit_row_curve(curve @ spin.T + [7.0, -3.0])
    assert form.front @ (spin @ [0.0, 1.0]) > np.cos(np.radians(2.0))
    np.testing.assert_allclose(form.apex, spin @ [0.0, 42.0] + [7.0, -3.0], atol=1.5)

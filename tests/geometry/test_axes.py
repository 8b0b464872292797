"""Axes along a direction and of a cloud of points."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.axes import along_basis, basis_along, own_axes
from geometry.errors import GeometryError


def lopsided(seed: int, n: int = 4000) -> np.ndarray:
    """Points without any symmetry."""
    rng = np.random.default_rng(seed)
    cloud = rng.gamma(2.0, 1.0, (n, 3)) * [9.0, 5.0, 2.0]
    return cloud @ Rotation.random(rng=rng).as_matrix().T + rng.normal(0, 30, 3)


def test_own_axes_are_the_principal_axes() -> None:
    points = lopsided(1)
    sizes, axes = np.linalg.eigh(np.cov(points.T))
    found = own_axes(points)
    assert np.abs(np.sum(found * axes.T[::-1], axis=1)) == pytest.approx(np.ones(3), abs=1e-9)
    assert np.linalg.det(found) == pytest.approx(1.0)
    assert sizes[2] > sizes[0]


@pytest.mark.parametrize("seed", range(4))
def test_own_axes_turn_with_the_points_whatever_their_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = lopsided(seed)
    turn = Rotation.random(rng=rng).as_matrix()
    moved = rng.permutation(points @ turn.T + rng.normal(0, 50, 3)).astype(np.float32)
    found = own_axes(moved.astype(np.float64))
    assert found @ turn == pytest.approx(own_axes(points), abs=1e-5)


def test_a_basis_at_an_angle_of_the_body_turns_with_it() -> None:
    points = lopsided(7)
    turn = Rotation.from_euler("xyz", [1.0, 0.3, -2.0]).as_matrix()
    way = np.array([0.1, -0.7, 0.7])
    one = basis_along(way, own_axes(points))
    other = basis_along(turn @ way, own_axes(points @ turn.T))
    assert other @ turn == pytest.approx(one, abs=1e-9)
    assert one @ one.T == pytest.approx(np.eye(3), abs=1e-12)
    assert along_basis(points, one) == pytest.approx(points @ one.T)


def test_hardly_any_points_and_no_direction() -> None:
    assert own_axes(np.zeros((2, 3))) == pytest.approx(np.eye(3))
    assert np.isfinite(own_axes(np.ones((5, 3)))).all()
    with pytest.raises(GeometryError, match="no length"):
        basis_along(np.zeros(3))

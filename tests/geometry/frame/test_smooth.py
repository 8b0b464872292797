"""Smooth hills of gum against cusps."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.frame.peaks.smooth import AROUND_MM, DOWN_MM, crown_shares, roughness
from geometry.frame.relief import Relief

CELL = 0.35
X, Y = np.meshgrid(np.arange(-20, 21) * CELL, np.arange(-20, 21) * CELL)


def relief(z: np.ndarray, seen: np.ndarray | None = None) -> Relief:
    index = np.arange(z.size, dtype=np.int32).reshape(z.shape)
    if seen is not None:
        index = np.where(seen, index, -1).astype(np.int32)
        z = np.where(seen, z, -1e9)
    return Relief(z, index, float(X[0, 0]), float(Y[0, 0]), CELL)


def test_distance_from_a_quadratic_against_least_squares() -> None:
    rng = np.random.default_rng(4)
    z = rng.normal(0.0, 0.6, X.shape) - 0.1 * X**2 + 0.2 * Y
    seen = rng.random(X.shape) > 0.3
    places = [(20, 20), (3, 30), (38, 6)]
    points = np.array([[X[r, c], Y[r, c], z[r, c]] for r, c in places])
    for point, found in zip(points, roughness(relief(z, seen), points), strict=True):
        x, y, up = X - point[0], Y - point[1], z - point[2]
        near = seen & (x**2 + y**2 <= AROUND_MM**2 + 1e-9) & (up >= -DOWN_MM)
        terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)[near]
        left = up[near] - terms @ np.linalg.lstsq(terms, up[near], rcond=None)[0]
        assert found == pytest.approx(np.sqrt(np.mean(left**2)), abs=1e-6)


@pytest.mark.parametrize(
    ("z", "share"),
    [
        (-(X**2) / 9.0 - Y**2 / 40.0, 0.0),  # the ridge behind the last molar
        (-0.9 * np.hypot(X, Y), 1.0),  # a cusp
        (0.5 * np.cos(1.3 * X) * np.cos(1.3 * Y), 1.0),  # cusps and fissures
    ],
)
def test_a_smooth_hill_is_no_crown_also_beside_the_border_of_the_scan(z, share) -> None:
    top = np.array([[0.0, 0.0, z[20, 20]]])
    for seen in (None, X < 1.0):
        assert crown_shares(relief(z, seen), top) == pytest.approx(share)


def test_hardly_anything_seen_tells_nothing() -> None:
    z = -(X**2) / 9.0
    assert crown_shares(relief(z, np.hypot(X, Y) < 0.6), np.zeros((1, 3))) == 1.0

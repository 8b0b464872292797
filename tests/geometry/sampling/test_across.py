"""What stands out over the mirrored other side of the mouth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from geometry.mesh import Mesh
from geometry.sampling.across import MOST_ODDS, over_the_other_side, unlike_odds
from geometry.topology.adjacency import vertex_normals

STEP_MM = 0.3
CROWNS = ((8.0, 4.0, 4.0, 2.2), (11.0, -3.0, 3.0, 1.8), (6.0, -7.0, 2.0, 2.6))
"""Right, front, height and width of the crowns of one side."""


def found(moved: tuple[float, float], drop: float, leftmost: float = -18.0) -> np.ndarray:
    """A drop of radius 1 mm on the right flank of a crown, a cusp's like, and the middle."""
    x, y = np.meshgrid(np.arange(-18, 18, STEP_MM), np.arange(-14, 12, STEP_MM), indexing="ij")
    side = np.where(x > 0, 0.0, 1.0)
    u, v = np.abs(x) - side * moved[0], y - side * moved[1]
    z = sum(h * np.exp(-((u - a) ** 2 + (v - b) ** 2) / w**2) for a, b, h, w in CROWNS)
    at = np.array([[10.0, 4.6], [11.0, -3.0], [0.5, 4.0]])
    z = z + drop * np.sqrt(np.clip(1 - (x - at[0, 0]) ** 2 - (y - at[0, 1]) ** 2, 0.0, None))
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    rows, columns = x.shape
    a = (columns * np.arange(rows - 1)[:, None] + np.arange(columns - 1)).ravel()
    halves = [
        np.column_stack([a, a + columns, a + 1]),
        np.column_stack([a + 1, a + columns, a + columns + 1]),
    ]
    normals = vertex_normals(Mesh(points, np.concatenate(halves).astype(np.int32)))
    scanned = points[:, 0] > leftmost
    points, normals = points[scanned], normals[scanned]
    _, tops = cKDTree(points[:, :2]).query(at)
    # Any pose: the mouth's own axes go with it.
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    shift = np.array([40.0, -7.0, 12.0])
    points, normals = points @ turn + shift, normals @ turn
    return over_the_other_side(points, normals, cKDTree(points), tops, shift, turn)


@pytest.mark.parametrize("moved", [(0.0, 0.0), (0.8, -1.2)])
def test_a_drop_stands_out_over_the_other_side_and_a_cusp_with_its_like_does_not(
    moved: tuple[float, float],
) -> None:
    """Also where the other side's crowns stand elsewhere by a millimetre."""
    over = found(moved, 0.8)
    # Measured across the flank, which leans: the drop was lifted upward.
    assert 0.3 < over[0, 0] < 0.8
    assert over[1, 0] == pytest.approx(0.0, abs=0.12)
    assert over[:2, 1].max() < 0.15
    bare = found(moved, 0.0)
    assert bare[0, 0] == pytest.approx(0.0, abs=0.12)


def test_in_the_middle_nothing_is_compared_and_nothing_told() -> None:
    over = found((0.0, 0.0), 0.8)
    assert np.isnan(over[2]).all()
    odds = unlike_odds(over)
    assert odds[0] > 0.0 > odds[1]
    assert odds[2] == 0.0


def test_where_the_other_side_was_not_scanned_nothing_is_compared() -> None:
    assert np.isnan(found((0.0, 0.0), 0.8, leftmost=-2.0)).all()


def test_where_the_sides_differ_all_round_standing_out_tells_less() -> None:
    apart = np.array([[0.5, 0.1], [0.5, 0.4], [9.0, 0.0]])
    odds = unlike_odds(apart)
    assert odds[0] > odds[1]
    assert odds[2] == pytest.approx(MOST_ODDS)
    assert unlike_odds(np.empty((0, 2))).shape == (0,)

"""Drops that hang free are told by their roundness alone; what else is round in a mouth is not.

Radii of drops are common practice, no source; those of the bodies compared are the generators'.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from geometry.sampling.balls import Ball, find_balls

Array = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])
OUT = np.array([0.0, 1.0, 0.0])
SPACING_MM = 0.3


def ball(radius: float) -> Array:
    """Unit vectors evenly spread, as far apart as vertices are on a ball of this radius."""
    count = int(4.0 * np.pi * (radius / SPACING_MM) ** 2 * 1.15)
    z = 1.0 - 2.0 * (np.arange(count) + 0.5) / count
    turn = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    flat = np.sqrt(1.0 - z**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])


def cap(radius: float, reach_deg: float, facing: Array, height: float) -> tuple[Array, Array]:
    """Points and normals of a cap that faces one way, its ball's middle at a height."""
    way = ball(radius)
    way = way[way @ facing > np.cos(np.radians(reach_deg))]
    return radius * way + height * UP, way


def told(points: Array, facing: Array) -> list[Ball]:
    return find_balls(points, facing, np.arange(len(points)), np.zeros(3), UP)


@pytest.mark.parametrize("radius", [0.8, 1.2, 1.8])
@pytest.mark.parametrize("reach", [60.0, 100.0])
def test_a_cap_that_closes_around_the_side_is_a_drop(radius: float, reach: float) -> None:
    (found,) = told(*cap(radius, reach, OUT, -5.0))
    assert found.radius_mm == pytest.approx(radius, abs=0.02)
    assert found.middle == pytest.approx(-5.0 * UP, abs=0.03)
    assert found.top @ OUT > 0.98
    # The rim is met between the last vertices within and the first beyond.
    expected = radius * (1.0 - np.cos(np.radians(reach)))
    assert found.height_mm == pytest.approx(expected, abs=0.25 * radius)


def test_a_cusp_and_a_corner_at_the_biting_surface_are_none() -> None:
    assert not told(*cap(1.2, 70.0, UP, -1.5))
    assert not told(*cap(1.2, 70.0, UP, -6.0))
    assert not told(*cap(1.0, 90.0, (OUT + UP) / np.sqrt(2.0), -1.0))
    assert told(*cap(1.2, 70.0, OUT, -6.0))


def test_the_tip_of_a_papilla_faces_up_more_than_a_drop_beside_it() -> None:
    leaning = np.array([0.0, np.sqrt(1.0 - 0.4**2), 0.4])
    assert not told(*cap(1.0, 60.0, leaning, -5.5))
    assert told(*cap(1.0, 60.0, leaning, -11.0))
    assert told(*cap(1.0, 60.0, OUT, -5.5))


def test_a_collar_of_gum_and_an_edge_curve_one_way_only() -> None:
    around, over = np.meshgrid(np.arange(-0.6, 0.6, 0.06), np.arange(-1.5, 1.5, 0.28))
    facing = np.stack(
        [np.sin(around) * np.cos(over), np.cos(around) * np.cos(over), np.sin(over)], axis=-1
    ).reshape(-1, 3)
    ring = np.stack([np.sin(around), np.cos(around), 0 * around], axis=-1).reshape(-1, 3)
    assert not told(4.0 * ring + facing - 8.0 * UP, facing)


def test_a_flat_cap_is_a_bulge_of_the_crown() -> None:
    assert not told(*cap(1.6, 30.0, OUT, -5.0))


def test_neither_the_order_nor_the_pose_decides() -> None:
    points, facing = cap(1.1, 80.0, OUT, -5.0)
    (plain,) = told(points, facing)
    rng = np.random.default_rng(3)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    mixed = rng.permutation(len(points))
    (moved,) = find_balls(
        points[mixed] @ turn.T + 40.0, facing[mixed] @ turn.T, np.arange(len(points)),
        np.full(3, 40.0), turn @ UP,
    )  # fmt: skip
    assert (moved.at - 40.0) @ turn == pytest.approx(plain.at, abs=1e-3)
    assert moved.height_mm == pytest.approx(plain.height_mm, abs=1e-3)

"""Films between teeth are told by the opening under them; grooves, papillae and contacts are not.

Two crowns are round pillars that touch, with a papilla between them; sizes of crowns and films
are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.sampling.webs import Groove, Web, find_webs

Array = NDArray[np.float64]
Shape = Callable[[Array, Array], Array]

UP, ALONG, OUT = np.eye(3)[2], np.eye(3)[0], np.eye(3)[1]
RADIUS_MM, GUM_MM, TOP_MM = 4.0, -8.0, 0.0


def crowns(x: Array, z: Array) -> Array:
    """How far out two round crowns and the papilla between them lie."""
    pillars = np.sqrt(np.clip(RADIUS_MM**2 - (np.abs(x) - RADIUS_MM) ** 2, 0.3, None))
    papilla = 3.6 - 2.0 * np.clip(z - GUM_MM - 0.8 + 1.5 * np.abs(x), 0.0, None)
    return np.maximum(pillars, papilla)


def film(width: float, low: float, high: float) -> Shape:
    """The same with a film from crown to crown, as wide as it is there."""
    level = np.sqrt(RADIUS_MM**2 - (RADIUS_MM - 0.5 * width) ** 2)

    def shape(x: Array, z: Array) -> Array:
        spanned = (z > low) & (z < high) & (np.abs(x) < 0.5 * width)
        return np.where(spanned, np.maximum(crowns(x, z), level), crowns(x, z))

    return shape


def barrels(x: Array, z: Array) -> Array:
    """Crowns that touch at one height only, with an open space under the contact."""
    radius = RADIUS_MM - 0.06 * (z + 3.0) ** 2
    return np.sqrt(np.clip(radius**2 - (np.abs(x) - RADIUS_MM) ** 2, 0.1, None))


def told(shape: Shape, border: Array | None = None, turn: Array | None = None) -> tuple[Web, ...]:
    turn = np.eye(3) if turn is None else turn
    across, over = np.arange(-6.0, 6.01, 0.25), np.arange(-13.0, 0.51, 0.25)
    x, z = np.meshgrid(across, over, indexing="ij")
    points = np.column_stack([x.ravel(), shape(x, z).ravel(), z.ravel()]) @ turn.T
    n = len(over)
    a = (n * np.arange(len(across) - 1)[:, None] + np.arange(n - 1)).ravel()
    faces = np.concatenate(
        [np.column_stack([a, a + n, a + 1]), np.column_stack([a + 1, a + n, a + n + 1])]
    )
    groove = Groove(np.zeros(3), turn @ ALONG, turn @ OUT, GUM_MM, TOP_MM)
    edge = np.empty((0, 3)) if border is None else border @ turn.T
    return find_webs(Mesh(points, faces.astype(np.int32)), edge, turn @ UP, 1, [groove])


@pytest.mark.parametrize("width", [1.6, 2.4])
@pytest.mark.parametrize("height", [1.2, 2.5])
def test_a_film_with_an_opening_under_it_is_told(width: float, height: float) -> None:
    (found,) = told(film(width, -4.6, -4.6 + height))
    # The opening is counted where the groove under the film is half a millimetre deeper.
    assert 0.55 * width < found.width_mm <= width
    assert found.height_mm == pytest.approx(height, abs=0.6)
    assert found.at[0] == pytest.approx(0.0, abs=0.3)
    assert found.at[2] == pytest.approx(-4.6 + 0.5 * height, abs=0.5)


def test_a_groove_and_its_papilla_are_none() -> None:
    assert told(crowns) == ()


def test_a_contact_over_an_open_space_is_none() -> None:
    assert told(barrels) == ()


def test_what_goes_on_to_the_edge_of_a_tooth_is_its_corner() -> None:
    assert told(film(1.6, -4.6, 0.5)) == ()


def test_a_film_that_runs_down_to_the_papilla_looks_like_one() -> None:
    assert told(film(1.6, GUM_MM, -4.0)) == ()


def test_at_the_edge_of_a_hole_nothing_is_told() -> None:
    hole = np.array([[0.0, 2.5, -4.8]])
    assert told(film(1.6, -4.6, -2.5), hole) == ()


def test_a_film_is_told_however_the_scan_lies() -> None:
    plain = told(film(1.6, -4.6, -2.5))
    turn = np.linalg.qr(np.array([[1.0, 2.0, 0.3], [-0.4, 1.0, 2.0], [2.0, -0.1, 0.7]]))[0]
    turn *= np.sign(np.linalg.det(turn))
    (found,) = told(film(1.6, -4.6, -2.5), turn=turn)
    assert found.width_mm == pytest.approx(plain[0].width_mm)
    assert turn.T @ found.at == pytest.approx(plain[0].at, abs=1e-9)

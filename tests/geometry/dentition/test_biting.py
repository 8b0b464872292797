"""Between the cusps of a tooth that leans outwards there is no gum line."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.gum.biting import biting_surface
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

Z = 3.0 - STEP_Z_MM * np.arange(90)
S = STEP_S_MM * np.arange(140)
START, STOP = np.array([4.0, 14.0, 24.0]), np.array([14.0, 24.0, 34.0])
TIP = np.zeros(3)
BACK = np.array([True, True, True])


def walls(level: float, reach: float) -> np.ndarray:
    """Straight walls; the middle tooth's runs out by ``reach`` at a height."""
    wall = np.where(Z > 0.0, np.nan, 2.0 - 0.1 * Z)
    sheet = np.tile(wall, (len(S), 1))
    sheet[(START[1] < S) & (STOP[1] > S)] += reach * (level > Z)
    return sheet


def test_the_way_out_to_a_lower_cusp_is_marked_down_to_its_end():
    marks = biting_surface(walls(-2.0, 4.0), Z, START, STOP, TIP, BACK)
    inside = (START[1] < S) & (STOP[1] > S)
    assert marks[np.ix_(inside, Z > -2.0)].all()
    assert not marks[:, Z < -3.2].any()
    assert not marks[~inside].any()


@pytest.mark.parametrize(("level", "reach"), [(-6.0, 4.0), (-2.0, 0.8)])
def test_gum_that_stands_out_lower_and_small_steps_are_not(level, reach):
    assert not biting_surface(walls(level, reach), Z, START, STOP, TIP, BACK).any()


def test_front_teeth_and_what_is_seen_of_a_neighbour_are_not():
    assert not biting_surface(walls(-2.0, 4.0), Z, START, STOP, TIP, ~BACK).any()
    sheet = walls(-2.0, 0.0)
    sheet[(START[1] < S) & (START[1] + 2.0 > S)] += 4.0 * (Z < -2.0)
    assert not biting_surface(sheet, Z, START, STOP, TIP, BACK).any()


def test_a_tooth_narrower_than_a_column_has_none():
    nothing = biting_surface(walls(-2.0, 4.0), Z, START, START + 0.01, TIP, BACK)
    assert not nothing.any()

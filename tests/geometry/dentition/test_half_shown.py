"""Teeth of which less shows than their numbers say: half-erupted ones, and primary ones."""

import numpy as np
import pytest

from geometry.dentition.gum.tissue import highest_margin, shown_length
from geometry.dentition.row.crowns import CROWN_SIZES_MM, PRIMARY_SIZES_MM


@pytest.mark.parametrize("tip", [1.0, 0.0, -0.4])
def test_a_tooth_in_the_row_shows_its_whole_crown(tip: float) -> None:
    assert shown_length(np.array([7.0]), np.array([tip]), np.array([False])) == 7.0


def test_gum_does_not_follow_a_tooth_that_has_not_come_through() -> None:
    tips = np.array([-1.0, -2.5, -4.0])
    for front in (False, True):
        margins = tips - shown_length(np.full(3, 7.0), tips, np.full(3, front))
        assert np.ptp(margins) < 0.01
    assert shown_length(np.array([7.0]), np.array([-9.0]), np.array([True])) > 1.0


def test_a_canine_as_narrow_as_a_primary_one_may_end_far_above_the_usual_place() -> None:
    permanent, primary = CROWN_SIZES_MM["lower"][2], PRIMARY_SIZES_MM["lower"][2]
    widths = np.array([permanent[1], 0.83 * primary[1]])
    whole, narrow = highest_margin(
        np.array([43, 33]), widths, np.zeros(2), np.full(2, permanent[0])
    )
    assert whole == -np.inf
    assert -primary[0] - 2.0 < narrow < -primary[0] + 1.0

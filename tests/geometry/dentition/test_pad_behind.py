"""The retromolar pad behind a last molar, and a crown that a scan ends on."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.row.ends import is_pad
from geometry.dentition.row.spaces import CELL_MM, HALF_MM

GUM, TIP = -3.0, 1.5
END, LENGTH = 20.0, 6.0


def shadow_of(heights: np.ndarray, *, outwards: bool) -> np.ndarray:
    """The row from above with so high a crest, falling off to both sides."""
    n = np.arange(round(2 * HALF_MM / CELL_MM)) * CELL_MM - HALF_MM
    crest = heights if outwards else heights[::-1]
    return crest[:, None] - 0.05 * n[None] ** 2


def told(rise, *, outwards: bool, length: float = LENGTH) -> bool:
    s = np.arange(0.0, 2 * END + CELL_MM / 2, CELL_MM)
    heights = np.where(s > END, rise(s - END), TIP)
    end, border = (END, END + length) if outwards else (END, END - length)
    return is_pad(shadow_of(heights, outwards=outwards), end, border, GUM, TIP)


@pytest.mark.parametrize("outwards", [True, False])
@pytest.mark.parametrize("slope", [0.5, 0.75, 1.0])
def test_gum_that_climbs_from_behind_the_last_molar_is_no_crown(slope, outwards):
    assert told(lambda s: GUM + 0.4 + slope * s, outwards=outwards)


@pytest.mark.parametrize("outwards", [True, False])
@pytest.mark.parametrize("foot", [0.4, 1.5, 2.5])
def test_a_wall_that_rises_from_a_groove_is_a_crowns(foot, outwards):
    def wall(s):
        return np.minimum(GUM + foot + 3.0 * np.maximum(s - 0.5, 0.0), TIP - 0.3)

    assert not told(wall, outwards=outwards, length=3.5)


@pytest.mark.parametrize("outwards", [True, False])
def test_a_shallow_groove_between_two_crowns_is_not_the_gum(outwards):
    assert not told(lambda s: GUM + 2.5 + 0.6 * s, outwards=outwards, length=3.5)


@pytest.mark.parametrize("outwards", [True, False])
def test_a_border_right_behind_a_crown_leaves_no_room_for_a_pad(outwards):
    assert not told(lambda s: GUM + 0.4 + 0.8 * s, outwards=outwards, length=0.8)

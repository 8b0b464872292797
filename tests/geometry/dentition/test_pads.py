"""Gum behind the last molars: it is scanned along, and is no tooth."""

import numpy as np
import pytest

from geometry.dentition import Dentition, TissuePlace, Tooth
from geometry.dentition.row import rows, spaces

TEETH = {15: 7.0, 16: 10.0, 17: 9.0, 18: 8.0}
ENDS = 2.0 + np.concatenate([[0.0], np.cumsum(list(TEETH.values())[::-1])])


def seen_from_above(low: float, cusps: float) -> np.ndarray:
    """Heights of a row whose first 8 mm lie ``low`` mm under the others, with such cusps."""
    s = np.arange(round(45.0 / spaces.CELL_MM))[:, None] * spaces.CELL_MM
    n = np.arange(round(2.0 * spaces.HALF_MM / spaces.CELL_MM))[None] * spaces.CELL_MM
    n = n - spaces.HALF_MM
    first = s < ENDS[1]
    bumps = np.cos(2.0 * np.pi * s / 5.0) * np.cos(2.0 * np.pi * n / 5.0)
    round_top = 1.5 * (n / 4.0) ** 2 + np.where(first, 0.03 * (s - ENDS[1]) ** 2, 0.0)
    return np.maximum(np.where(first, cusps, 0.7) * bumps - low * first - round_top, -12.0)


def assert_first_is_gum(shadow: np.ndarray, numbers: np.ndarray, gum: bool) -> None:
    """Check it from either end of the row."""
    assert rows._crowns(shadow, numbers, ENDS[:-1], ENDS[1:]) == slice(int(gum), 4)
    ends = len(shadow) * spaces.CELL_MM - ENDS[::-1]
    other = numbers[::-1] + (10 if numbers[0] < 30 else -10)
    assert rows._crowns(shadow[::-1], other, ends[:-1], ends[1:]) == slice(0, 4 - int(gum))


def test_a_flat_ridge_with_sharp_edges_behind_the_last_molar_is_no_tooth() -> None:
    shadow, ends = seen_from_above(3.5, 0.0), (ENDS[:-1], ENDS[1:])
    n = np.arange(shadow.shape[1]) * spaces.CELL_MM - spaces.HALF_MM
    ridge = -3.5 - 0.05 * n - 1.2 * np.maximum(np.abs(n) - 3.0, 0.0)
    own = slice(0, round(ENDS[1] / spaces.CELL_MM))
    shadow[own] = ridge
    numbers = np.array(sorted(TEETH, reverse=True))
    # Its edges alone are as rough as cusps are.
    assert rows._seen_between(shadow, *ENDS[:2])[2] > rows.PAD_SHAPE_MM
    assert rows._crowns(shadow, numbers, *ends) == slice(1, 4)


def test_what_lies_behind_the_last_teeth_is_none_of_their_cusps() -> None:
    place = TissuePlace(np.empty((0, 3)), True, 9.0, 8.5, 9.5, 0.0, "measured", *np.zeros((2, 3)))
    # A row that turns by a right angle, as that of a quadrant and the front.
    centres = [[0.0, -20.0, 0.0], [0.0, -10.0, 0.0], [0.0, 0.0, 0.0], [8.0, 6.0, 0.0]]
    teeth = tuple(
        Tooth(number, True, "05", np.array(centre), 10.0, 7.0, place, place)
        for number, centre in zip((27, 26, 25, 24), centres, strict=True)
    )
    points = [[3.0, -25.0, 0.0], [0.0, -27.0, -2.0], [0.0, -13.0, 0.0], [14.0, 11.0, 0.0]]
    found = Dentition("upper", teeth).behind_last(np.array(points))
    assert found.tolist() == [False, True, False, True]
    assert Dentition("upper").behind_last(np.array(points)).tolist() == [False] * 4


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize(
    ("low", "cusps", "gum"),
    [
        (2.5, 0.0, True),  # the tuberosity, or the pad behind a lower molar
        (2.5, 0.7, False),  # a half erupted third molar has cusps
        (0.3, 0.0, False),  # a worn one stands as high as its neighbour
    ],
)
def test_gum_behind_the_last_molar_is_no_tooth(
    low: float, cusps: float, gum: bool, arch: str
) -> None:
    shadow = seen_from_above(low, cusps)
    numbers = np.array(sorted(TEETH, reverse=True)) + (30 if arch == "lower" else 0)
    assert_first_is_gum(shadow, numbers, gum)


@pytest.mark.parametrize(
    ("climb", "cusps", "gum"),
    [
        (0.6, 0.0, True),
        (0.6, 0.7, False),  # a molar that leans forward has cusps
        (0.0, 0.0, False),  # a worn one, of which the scan shows half, does not climb
    ],
)
def test_a_pad_that_climbs_to_the_height_of_the_last_molar_is_no_tooth(
    climb: float, cusps: float, gum: bool
) -> None:
    shadow = seen_from_above(0.0, cusps)
    s = np.arange(len(shadow))[:, None] * spaces.CELL_MM
    # Instead of the fall at the end of a row: from the groove behind the molar on upwards.
    behind = np.maximum(ENDS[1] - s, 0.0)
    shadow = shadow + 0.03 * behind**2 + (climb * behind - 2.0) * (behind > 0.0)
    shadow = np.where(s < ENDS[0], -50.0, shadow)
    numbers = np.array(sorted(TEETH, reverse=True)) + 30
    own, beside = (rows._seen_between(shadow, *ENDS[k : k + 2]) for k in (0, 1))
    if climb:
        assert own[0] > beside[0] - rows.PAD_UNDER_MM
    else:
        shadow += 2.0 * (behind > 0.0)
    assert_first_is_gum(shadow, numbers, gum)

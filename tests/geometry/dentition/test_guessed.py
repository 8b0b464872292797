"""Numbers of teeth that are a guess are not called sure."""

from __future__ import annotations

import numpy as np

from geometry.dentition.row.rows import guessed

LOWER = np.array([47, 46, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 36, 37])
WIDTHS = np.array([10.5, 11.0, 7.0, 7.0, 7.0, 5.5, 5.0])
BOTH = np.concatenate([WIDTHS, WIDTHS[::-1]])
FITS, NO_GAIN = -5.0, -1.0


def told(numbers: np.ndarray, width: np.ndarray, gain: float = NO_GAIN, cost: float = FITS) -> list:
    return numbers[guessed(numbers, width, gain, cost)].tolist()


def test_a_whole_row_that_fits_is_no_guess() -> None:
    assert told(LOWER, BOTH) == []
    assert told(LOWER[1:], BOTH[1:]) == [], "a last molar that is not there yet"


def test_without_a_canine_on_both_sides_every_number_is_a_guess() -> None:
    for some in (slice(0, 8), slice(0, 9), slice(5, 14), slice(0, 3)):
        numbers = LOWER[some]
        assert told(numbers, BOTH[some]) == numbers.tolist()
    assert told(LOWER[:10], BOTH[:10]) == []
    assert told(LOWER[:0], BOTH[:0]) == []


def test_a_row_that_hardly_fits_is_a_guess() -> None:
    assert told(LOWER, BOTH, cost=25.0) == LOWER.tolist()


def test_the_last_tooth_of_the_shorter_side_may_be_the_one_behind() -> None:
    narrow = BOTH.copy()
    narrow[1] = 10.2
    assert told(LOWER[1:], narrow[1:]) == [46]
    assert told(LOWER, narrow) == [], "both sides end with the same tooth"


def test_a_side_two_teeth_shorter_may_have_lost_one_before_its_last() -> None:
    assert told(LOWER[2:], BOTH[2:]) == []
    assert told(np.append(LOWER[1:], 38), np.append(BOTH[1:], 10.0)) == [46]


def test_the_front_is_a_guess_beside_a_canine_and_more_that_are_not_seen() -> None:
    front = [43, 42, 41, 31, 32]
    assert told(np.delete(LOWER, [9, 10, 11]), np.delete(BOTH, [9, 10, 11])) == front
    assert told(np.delete(LOWER, 9), np.delete(BOTH, 9)) == []
    assert told(np.delete(LOWER, [10, 11]), np.delete(BOTH, [10, 11])) == []


def test_as_many_but_other_teeth_on_both_sides_are_a_guess() -> None:
    numbers = np.array([46, 45, 43, 42, 41, 31, 32, 33, 34, 35])
    width = np.array([11.0, 7.0, 7.0, 5.5, 5.0, 5.0, 5.5, 7.0, 7.0, 7.0])
    assert told(numbers, width) == [46, 45, 34, 35]
    assert told(np.delete(LOWER, [3, 10]), np.delete(BOTH, [3, 10])) == []
    # So are the premolars where another one is missing on each side.
    assert told(np.delete(LOWER, [0, 2, 10]), np.delete(BOTH, [0, 2, 10])) == [44, 35]
    assert told(np.delete(LOWER, [0, 3, 10]), np.delete(BOTH, [0, 3, 10])) == []
    assert told(np.delete(LOWER, 3), np.delete(BOTH, 3)) == []


def test_a_lone_primary_tooth_is_but_a_thought() -> None:
    one, two = LOWER.copy(), LOWER.copy()
    one[11], two[[2, 11]] = 75, [85, 75]
    behind = [n for n in one.tolist() if n % 10 > 2]
    assert told(one, BOTH, gain=1.5) == behind
    assert told(two, BOTH, gain=1.5) == []
    assert told(LOWER, BOTH, gain=0.3) == [n for n in LOWER.tolist() if n % 10 > 2]

"""Smoothed scans are sharpened before the gum line is looked for, others are left as they are."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from geometry.dentition.gum.margin import edge_step
from geometry.dentition.gum.sharpness import (
    BLUNT,
    sharpened,
    sharper,
    sharpness,
    turn_within,
)
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

Z = 3.0 - STEP_Z_MM * np.arange(90)
LINE = -6.0


def wall(
    step: float = 0.15, bend: float = 0.3, smoothing: float = 0.0, ledge: float = 0.0
) -> np.ndarray:
    """A wall that steps out at the gum line and leans out below it, seen after smoothing, mm.

    ``ledge`` is a step half way up the crown.
    """
    below = np.maximum(LINE - Z, 0.0)
    profile = 0.1 * (3.0 - Z) + step * (Z < LINE) + bend * below + ledge * (Z < -2.6)
    sheet = np.tile(profile, (160, 1))
    if smoothing:
        sheet = gaussian_filter(sheet, (smoothing / STEP_S_MM, smoothing / STEP_Z_MM))
    return sheet


def height(sheet: np.ndarray) -> float:
    """Highest step near the gum line, mm."""
    return float(np.nanmax(edge_step(sheet, 1.0)[:, np.abs(Z - LINE) < 1.0]))


def test_turns_are_the_angle_between_the_wall_above_and_below():
    kink = np.tile(np.where(Z < LINE, np.tan(0.3) * (LINE - Z), 0.0), (4, 1))
    turn = turn_within(kink, 5)
    assert turn[0, np.argmin(np.abs(Z - LINE))] == pytest.approx(0.3)
    assert np.isnan(turn[:, :5]).all()
    assert np.isnan(turn[:, -5:]).all()


@pytest.mark.parametrize("bend", [0.3, 0.35, 0.4])
def test_smoothing_tells_and_the_size_of_a_crease_hardly_does(bend):
    kept = [sharpness([wall(0.0, bend, smoothing)]) for smoothing in (0.0, 0.2, 0.3)]
    usual = [sharpness([wall(0.0, 0.3, smoothing)]) for smoothing in (0.0, 0.2, 0.3)]
    assert kept[0] > kept[1] + 0.05 > kept[2] + 0.1
    assert kept == pytest.approx(usual, abs=0.03)


def test_a_sharp_scan_comes_back_as_it_was():
    sharp = wall(0.0)
    assert sharpness([sharp]) > BLUNT
    assert sharpened([sharp])[0] is sharp


@pytest.mark.parametrize("smoothing", [0.4, 0.5])
@pytest.mark.parametrize("bend", [0.3, 0.4])
def test_a_smoothed_step_grows_again_by_two_thirds_and_never_beyond_its_height(smoothing, bend):
    blunt = wall(bend=bend, smoothing=smoothing)
    assert sharpness([blunt]) < BLUNT
    again = height(sharpened([blunt])[0])
    assert 1.67 * height(blunt) < again < height(wall(bend=bend))


def read_of(sheet: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Three teeth of 10 mm side by side; both walls lean alike."""
    start = np.array([4.0, 14.0, 24.0])
    return sharper(sheet, -sheet, Z, start, start + 10.0, np.zeros(3), np.full(3, 7.0))


def test_both_walls_are_sharpened_alike():
    blunt = wall(smoothing=0.4)
    facial, lingual = read_of(blunt)
    assert height(facial) > 1.67 * height(blunt)
    assert (facial == -lingual).all()


def test_crowns_that_turn_out_to_have_ledges_of_their_own_are_left_as_they_are():
    blunt = wall(ledge=0.15, smoothing=0.4)
    facial, lingual = read_of(blunt)
    assert sharpened([blunt, blunt])[0] is not blunt
    assert facial is blunt
    assert (lingual == -blunt).all()


def test_nothing_is_made_up_beyond_the_scan_and_little_at_its_border():
    blunt = wall(smoothing=0.4)
    blunt[:, -20:] = np.nan
    again = sharpened([blunt])[0]
    assert again is not blunt
    assert (np.isnan(again) == np.isnan(blunt)).all()
    assert np.abs(again - blunt)[:, -23:-20].max() < 0.3


def test_walls_without_creases_are_left_alone():
    flat = wall(0.0, 0.0)
    assert np.isnan(sharpness([flat]))
    assert sharpened([flat])[0] is flat

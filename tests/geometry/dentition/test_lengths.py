"""The length of front crowns from all of them together, on signs made by formula."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.gum.tissue import usual_spread
from geometry.dentition.row.lengths import shared_ratio
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

COUNT, WIDE = 6, 5.5
START = 6.0 + WIDE * np.arange(COUNT)
STOP = START + WIDE
TIP, USUAL = np.zeros(COUNT), np.full(COUNT, 9.0)
Z = 3.0 - STEP_Z_MM * np.arange(110)
S = STEP_S_MM * np.arange(round((STOP[-1] + 6.0) / STEP_S_MM))


def signs_at(depths, strength: float) -> np.ndarray:
    """A scalloped line across each tooth, so deep below its tip, 0 to 1."""
    out = np.zeros((len(S), len(Z)))
    for start, stop, depth in zip(START, STOP, depths, strict=True):
        off = np.abs(S - 0.5 * (start + stop)) / (0.5 * WIDE)
        line = -depth + min(3.6, 0.42 * depth) * off[off <= 1.0, None] ** 2.5
        out[off <= 1.0] = strength * np.exp(-(((Z - line) / 0.35) ** 2))
    return out


def told(signs, before=0.85, before_sd=0.3, some=slice(None)) -> float:
    return shared_ratio(
        0.4 * signs,  # radians
        0.08 * signs,  # mm
        np.full(len(S), -16.0),
        Z,
        [np.full(len(Z), np.nan)] * len(START[some]),
        START[some],
        STOP[some],
        TIP[some],
        USUAL[some],
        smooth=0.2,
        round_weight=0.2,
        before=before,
        before_sd=before_sd,
    )


@pytest.mark.parametrize("ratio", [0.65, 0.8, 1.0])
def test_creases_at_one_length_tell_it(ratio):
    assert told(signs_at(USUAL * ratio, 1.0)) == pytest.approx(ratio, abs=0.04)


@pytest.mark.parametrize("before", [0.7, 0.9])
def test_without_signs_it_is_as_expected(before):
    assert told(np.zeros((len(S), len(Z))), before, 0.1) == pytest.approx(before, abs=0.03)


def test_sharper_creases_that_lie_at_unlike_heights_do_not_mislead_all_teeth():
    depths = USUAL * 0.7
    false = depths + np.array([2.4, 4.0, 0.9, 4.6, 1.7, 3.2])
    signs = np.maximum(signs_at(depths, 0.8), signs_at(false, 1.0))
    assert told(signs) == pytest.approx(0.7, abs=0.05)
    # One tooth alone could not tell.
    assert abs(told(signs, some=slice(0, 1)) - 0.7) > 0.1


def test_primary_crowns_differ_in_length_by_the_same_share() -> None:
    # Nelson, Wheeler's Dental Anatomy, tables of permanent and primary teeth (from memory): mean
    # crown length of teeth 1-5, upper and lower, mm.
    permanent, primary = (9.3, 9.1), (5.8, 5.5)
    numbers = np.array([11, 14, 34, 51, 54, 75])
    spread = usual_spread(numbers)
    for long, short in zip(permanent, primary, strict=True):
        np.testing.assert_allclose(spread[3:] / short, spread[:3] / long, rtol=0.05)

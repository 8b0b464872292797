"""Where a scan goes on over cheek or tongue, and where only a tooth stands out of the row."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.frame.arch.row_curve import RowCurve
from geometry.frame.arch.unroll import STEP_S_MM, STEP_T_MM, Unrolled
from geometry.frame.arch.vault import Vault
from geometry.frame.tissue.flaps import Flaps, find_flaps

S = np.arange(-50.0, 50.0, STEP_S_MM)
T = np.arange(-16.0, 16.1, STEP_T_MM)
FORM = RowCurve(np.array([0.0, 1.0]), np.zeros(2), 56.0, 45.0, 0.6, 0.3, 1.0)
NOTHING = Vault(0.0, np.nan, np.nan)


def row() -> Unrolled:
    """A row of crowns 8 mm across, with gum down to 12 mm on both sides out to 8 mm."""
    across = np.clip(-2.5 * (np.abs(T) - 4.0), -12.0, 0.0)
    height = np.tile(np.where(np.abs(T) < 8.0, across, np.nan), (S.size, 1))
    line = np.column_stack([S, np.zeros(S.size)])
    return Unrolled(S, T, height, line, np.ones(S.size, dtype=bool))


def flaps(rolled: Unrolled, vault: Vault = NOTHING) -> Flaps | None:
    return find_flaps(np.zeros(3), np.eye(3), FORM, rolled, vault)


def fold(length: float, sign: float = 1.0) -> Unrolled:
    found = row()
    places = np.ix_(np.abs(S) < 0.5 * length, (sign * T > 8.0) & (sign * T < 13.0))
    found.height[places] = np.where(np.abs(T[places[1]]) < 12.0, -12.0, -1.0)
    return found


def test_an_arch_alone_has_none() -> None:
    assert flaps(row()) is None


def test_a_fold_that_ends_high_is_cut_off_in_the_valley() -> None:
    found = flaps(fold(24.0))
    assert found is not None
    long = np.isfinite(found.facial)
    assert S[long].min() == pytest.approx(-14.0, abs=2.0)
    assert 10.0 < np.median(found.facial[long]) < 12.0
    assert not np.isfinite(found.lingual).any()
    points = np.array([[0.0, 12.5, 0.0], [0.0, 6.0, 0.0], [30.0, 12.5, 0.0]])
    within, outside = found.beyond(points)
    assert outside.tolist() == [True, False, False]
    assert not within.any()


def test_what_is_short_is_none() -> None:
    assert flaps(fold(6.0)) is None


def test_a_tooth_beside_the_row_is_none() -> None:
    rolled = row()
    beside = np.ix_(np.abs(S) < 9.0, (T > 6.0) & (T < 16.0))
    rolled.height[beside] = np.clip(-2.5 * (np.abs(T[beside[1]] - 10.0) - 2.0), -12.0, 0.0)
    assert flaps(rolled) is None


def test_within_the_arch_only_what_stands_as_high_as_a_tongue_counts() -> None:
    inner = fold(40.0, sign=-1.0)
    assert flaps(inner) is None
    found = flaps(inner, Vault(0.9, 2.0, -2.0))
    assert found is not None
    assert np.isfinite(found.lingual).any()
    assert not np.isfinite(found.facial).any()

"""Peaks and places that are no edge or cusp: folds by the front teeth, gum behind the last."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.frame.arch.unroll import STEP_S_MM, STEP_T_MM, Unrolled
from geometry.frame.peaks.strays import behind_shares, edge_alone_shares
from geometry.frame.peaks.tables import LOWEST_MM, table_places

S = np.arange(-55.0, 55.0 + STEP_S_MM / 2, STEP_S_MM)
T = np.arange(-16.0, 16.0 + STEP_T_MM / 2, STEP_T_MM)


def row(until_mm: float, behind_mm: float = -9.0) -> Unrolled:
    """A straight row of crowns 8 mm broad up to ``until_mm`` on both sides, gum behind them."""
    height = np.full((S.size, T.size), -9.0)
    height[:, np.abs(T) < 4.0] = np.where(np.abs(S) <= until_mm, 0.0, behind_mm)[:, None]
    return Unrolled(S, T, height, np.column_stack([S, 0 * S]), np.ones(S.size, dtype=bool))


def cusps(until_mm: float) -> np.ndarray:
    """Tips (n, 2) in two rows, 5 mm from each other along either."""
    along = np.arange(-until_mm, until_mm + 0.1, 5.0)
    return np.concatenate([np.column_stack([along, 0 * along + y]) for y in (-3.0, 3.0)])


def test_an_incisor_bites_with_its_edge_alone():
    places = np.array([[3.0, 0.0], [3.0, -4.0], [3.0, -4.0], [3.0, -4.0], [30.0, -4.0]])
    height = np.array([0.0, -1.0, -2.0, -4.0, -4.0])
    shares = edge_alone_shares(row(45.0), height, places, 13.0)
    assert shares == pytest.approx([1.0, 1.0, 0.5, 0.0, 1.0])


def test_one_low_peak_behind_the_last_tooth_is_gum_and_four_are_a_tooth():
    front = np.column_stack([cusps(40.0), np.zeros(len(cusps(40.0)))])
    gum = np.array([[48.0, 0.0, -2.5]])
    third = np.array([[s, t, -2.5] for s in (46.0, 50.0) for t in (-2.5, 2.5)])
    for behind, counts in ((gum, 0.0), (third, 1.0)):
        for side in (1.0, -1.0):
            points = np.concatenate([front, behind]) * (side, 1.0, 1.0)
            shares = behind_shares(points, points[:, 2], points[:, :2])
            assert shares[: len(front)] == pytest.approx(1.0)
            assert shares[len(front) :] == pytest.approx(counts)


def test_gum_as_high_as_worn_teeth_does_not_count_where_the_row_ends():
    """Past the last cusps a ridge of 4 mm and the gum behind it; a worn molar goes on for 10."""
    high = LOWEST_MM + 0.5
    tips = cusps(40.0)
    for until, behind, counted in ((44.0, -9.0, False), (50.0, -9.0, True), (44.0, high, True)):
        places, share = table_places(row(until, behind), tips)
        past = np.abs(places[:, 0]) > 40.1
        assert (share[past].sum() > 0.1) == counted, (until, behind)


def test_between_the_cusps_of_a_molar_nothing_is_worn():
    gone = (cusps(40.0)[:, 0] == 20.0) & (cusps(40.0)[:, 1] > 0)
    whole = table_places(row(41.0), cusps(40.0))
    worn = table_places(row(41.0), cusps(40.0)[~gone])
    assert whole[1].sum() == 0.0
    assert worn[1].sum() > 0.2
    assert np.abs(worn[0][worn[1] > 0.0, 0] - 20.0).max() < 3.1

"""A line far above its place on one side of a tooth only gives way to the next one below."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.gum.margin import Path
from geometry.dentition.gum.one_sided import either, one_sided, without_line
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

START, STOP = np.array([1.0, 8.0]), np.array([7.0, 14.0])
Z = 2.0 - STEP_Z_MM * np.arange(70)
COLUMNS = round(15.0 / STEP_S_MM)
AT = np.arange(COLUMNS) * STEP_S_MM
EXPECTED = np.full(COLUMNS, -7.0)


def line(*heights: float, step: float = 0.2) -> Path:
    """One height for each of two teeth, with a step along it."""
    height = np.where(AT < 7.5, *heights)
    off = Z - height[:, None]
    return Path(Z, height, 4.0 * np.abs(off), np.zeros(off.shape), step * (np.abs(off) < 0.3))


@pytest.mark.parametrize(
    ("facial", "lingual", "doubted"), [(-4.0, -7.2, [0]), (-4.0, -4.6, []), (-6.0, -9.0, [])]
)
def test_only_lines_high_on_one_side_are_doubted(
    facial: float, lingual: float, doubted: list[int]
) -> None:
    paths = {"facial": line(facial, -7.0), "lingual": line(lingual, -7.0)}
    found = one_sided(paths, dict.fromkeys(paths, EXPECTED), START, STOP)
    assert found["facial"].tolist() == doubted
    assert found["lingual"].tolist() == []


def test_the_line_and_all_above_it_no_longer_show() -> None:
    image = np.full((COLUMNS, len(Z)), 0.3)
    image[0] = np.nan
    left = without_line(line(-4.0, -4.0), image, Z)
    assert np.isnan(left[0]).all()
    assert (left[1:, Z > -4.5] == 0.0).all()
    assert (left[1:, Z < -4.7] == 0.3).all()


def test_a_lower_line_that_is_seen_is_told_with_the_odds_of_both() -> None:
    high, low = line(-4.0, -7.0), line(-7.1, -7.5)
    border = np.full(COLUMNS, -10.0)
    told = either(high, low, border, START[:1], STOP[:1])
    tooth = (AT > 1.0) & (AT < 7.0)
    assert (told.height[tooth] == -7.1).all()
    assert (told.height[AT > 7.5] == -7.0).all()
    rows = [int(np.abs(Z - height).argmin()) for height in (-4.0, -7.1)]
    odds = told.cost[tooth][:, rows]
    assert odds == pytest.approx(0.0, abs=0.5)
    assert told.cost[AT > 7.5] == pytest.approx(high.cost[AT > 7.5])


@pytest.mark.parametrize(("step", "border"), [(0.0, -10.0), (0.2, -6.0)])
def test_a_lower_line_that_is_not_seen_only_adds_doubt(step: float, border: float) -> None:
    high, low = line(-4.0, -7.0), line(-7.1, -7.5, step=step)
    told = either(high, low, np.full(COLUMNS, border), START[:1], STOP[:1])
    assert (told.height == high.height).all()
    assert (told.cost[(AT > 1.0) & (AT < 7.0)][:, Z < -7.0].min(axis=1) < 0.5).all()

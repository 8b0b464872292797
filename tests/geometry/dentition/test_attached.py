"""The gum line is read past what is bonded to crowns."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.gum.attached import bonded_places, teeth_with
from geometry.dentition.gum.margin import crease_angle, edge_step, expect, trace_margin
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

Z = 3.0 - STEP_Z_MM * np.arange(110)
START, STOP = np.array([2.0, 11.0]), np.array([10.0, 19.0])
TIP, USUAL = np.zeros(2), np.full(2, 9.0)
MARGIN = -8.6
AT = np.arange(85) * STEP_S_MM


def wall(parts: int, depth: float = 0.9, bevel: float = 0.0, width: float = 3.0) -> np.ndarray:
    """Two crowns over gum, with parts 2.4 mm high on the first of them, ledges at -6 mm.

    A bevelled ledge takes ``bevel`` mm to step in.
    """
    crown = 1.2 - 0.04 * (Z + 4.0) ** 2
    line = np.where(Z < MARGIN, crown[np.abs(Z - MARGIN).argmin()] + 0.5 * (MARGIN - Z), crown)
    sheet = np.tile(np.where(Z > 0.0, np.nan, line), (len(AT), 1))
    share = np.clip((Z + 6.0) / max(bevel, 1e-6), 0.0, 1.0) * (Z < -3.6)
    for k in range(parts):
        on = np.abs(AT - 0.5 * (START[k] + STOP[k])) <= 0.5 * width
        sheet[on] += depth * share
    return sheet


@pytest.mark.parametrize("bevel", [0.0, 0.5])
def test_parts_are_marked_from_their_ledge_up_and_no_gum_is(bevel: float) -> None:
    marks = bonded_places(wall(2, bevel=bevel), Z, START, STOP, TIP, USUAL)
    assert marks[np.abs(AT - 6.0) < 1.5][:, (Z < -3.6) & (Z > -5.9)].all()
    assert not marks[:, Z < -6.7].any()
    assert not marks[np.abs(AT - 10.5) < 1.0].any()
    assert teeth_with(marks, START, STOP).tolist() == [True, True]
    assert teeth_with(marks & (AT < 10.5)[:, None], START, STOP).tolist() == [True, False]


def test_crowns_gum_a_single_step_and_a_missing_piece_are_none() -> None:
    for sheet in (wall(0), wall(1), wall(2, depth=5.0)):
        assert not bonded_places(sheet, Z, START, STOP, TIP, USUAL).any()
    gum = wall(0)
    gum[:, Z < -11.0] -= 0.9
    assert not bonded_places(gum, Z, START, STOP, TIP, USUAL).any()


def test_what_steps_in_along_whole_crowns_is_their_neck() -> None:
    assert not bonded_places(wall(2, width=7.0), Z, START, STOP, TIP, USUAL).any()


def test_brackets_stand_out_further_and_take_up_most_of_a_lower_incisor() -> None:
    start, stop = START, START + 4.5
    middle = 0.5 * (start + stop)
    for depth, marked in ((1.9, True), (0.7, False)):
        sheet = wall(0)
        part = (Z > -6.0) & (Z < -3.0)
        for k in range(2):
            sheet[np.abs(AT - middle[k]) <= 1.6] += depth * part
        marks = bonded_places(sheet, Z, start, stop, TIP, USUAL)
        assert teeth_with(marks, start, stop).tolist() == [marked, marked]


def test_a_narrow_part_counts_beside_plain_ones() -> None:
    columns = np.arange(115) * STEP_S_MM
    start, stop = np.append(START, 20.0), np.append(STOP, 28.0)
    for others in (2, 1):
        sheet = np.concatenate([wall(others), wall(0)[:30]])
        on = np.abs(columns - 24.0) <= 0.6
        sheet[on] += 0.9 * ((Z > -6.0) & (Z < -3.6))
        marks = bonded_places(sheet, Z, start, stop, np.zeros(3), np.full(3, 9.0))
        assert teeth_with(marks, start, stop).tolist() == [others == 2] * 3


def test_the_margin_is_read_below_the_ledge() -> None:
    sheet = wall(2)
    front = np.ones(2, dtype=bool)
    hope = expect(len(AT), START, STOP, TIP, 0.75 * USUAL, np.ones(2), front, np.full(2, 2.0))
    middle = round(6.0 / STEP_S_MM)

    def margin(seen: np.ndarray) -> float:
        signs, border = np.zeros(seen.shape), np.full(len(AT), Z[-1])
        path = trace_margin(crease_angle(seen, 1.0), edge_step(seen, 1.0), signs, Z, border, hope)
        return float(path.height[middle])

    assert margin(sheet) > MARGIN + 2.0  # an edge of the part
    marks = bonded_places(sheet, Z, START, STOP, TIP, USUAL)
    assert margin(np.where(marks, np.nan, sheet)) == pytest.approx(MARGIN, abs=0.6)

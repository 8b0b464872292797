"""Which way a tooth faces, and where its roundness ends."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.gum.margin import Path
from geometry.dentition.gum.roundness import ends_of_crowns, roundness
from geometry.dentition.gum.section import Relief, Stand, border_height, stand_of
from geometry.dentition.gum.tissue import SideReading, _read, _seen_column, _towards_middle
from geometry.dentition.row.archline import STEP_MM, ArchLine
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, Sheets

Z = 1.0 - np.arange(80) * STEP_Z_MM
ALONG = np.arange(121) * STEP_S_MM
MIDDLE_MM, WIDTH_MM, TIP_MM = 15.0, 8.0, 0.0


@pytest.mark.parametrize("turn", [-0.3, 0.0, 0.2])
def test_a_turned_incisor_is_seen_to_be_turned(turn: float) -> None:
    middle = np.tile((0.7 + turn * (ALONG - MIDDLE_MM))[:, None], (1, len(Z)))
    sheets = Sheets(Z, middle + 1.5, middle - 1.5, np.zeros(len(ALONG)))
    start, stop = MIDDLE_MM - WIDTH_MM / 2, MIDDLE_MM + WIDTH_MM / 2
    stand = stand_of(sheets, start, stop, TIP_MM, 11)
    assert stand.turn == pytest.approx(turn, abs=1e-9)
    assert stand.across == pytest.approx(0.7, abs=1e-9)
    assert stand_of(sheets, start, stop, TIP_MM, 14).turn == 0.0


def test_a_last_molar_is_believed_to_be_turned_but_a_little() -> None:
    middle = np.tile((0.4 * (ALONG - MIDDLE_MM))[:, None], (1, len(Z)))
    sheets = Sheets(Z, middle + 4.0, middle - 4.0, np.zeros(len(ALONG)))
    start, stop = MIDDLE_MM - WIDTH_MM / 2, MIDDLE_MM + WIDTH_MM / 2
    within, last = (
        stand_of(sheets, start, stop, TIP_MM, 47, last=end).turn for end in (False, True)
    )
    assert within == pytest.approx(0.4, abs=0.05)
    assert 0.0 < last < 0.2


@pytest.mark.parametrize("neck", [-6.0, -8.5])
def test_the_end_of_roundness_speaks_for_the_margin_there(neck: float) -> None:
    start, stop = MIDDLE_MM - WIDTH_MM / 2, MIDDLE_MM + WIDTH_MM / 2
    bulge = -0.1 * np.minimum(np.abs(ALONG - MIDDLE_MM), WIDTH_MM / 2) ** 2
    sheet = np.where(Z[None] > neck, bulge[:, None], 0.02 * (Z[None] - neck))
    middle = np.full(len(ALONG), np.nan)
    middle[np.abs(ALONG - MIDDLE_MM) <= WIDTH_MM / 2] = -7.5
    one = np.array([1.0])
    found = ends_of_crowns(
        [roundness(sheet, start, stop)], Z, start * one, stop * one, 0 * one, 7.5 * one, one, middle
    )
    column = found[round(MIDDLE_MM / STEP_S_MM)]
    assert Z[column.argmax()] == pytest.approx(neck, abs=1.5 * STEP_Z_MM)
    # A margin two millimetres off is less likely, by about one a millimetre.
    for off in (-2.0, 2.0):
        there = np.interp(-(neck + off), -Z, column)
        assert column.max() - there == pytest.approx(2.0, abs=0.5)


def test_even_walls_say_nothing() -> None:
    sheet = np.zeros((len(ALONG), len(Z)))
    middle = np.full(len(ALONG), -7.0)
    one = np.array([1.0])
    start, stop = MIDDLE_MM - WIDTH_MM / 2, MIDDLE_MM + WIDTH_MM / 2
    found = ends_of_crowns(
        [roundness(sheet, start, stop)], Z, start * one, stop * one, 0 * one, 7.0 * one, one, middle
    )
    assert not found.any()


def test_only_at_the_scans_end_a_tooth_is_measured_beside_its_middle() -> None:
    """A border that rises over the crown's middle leaves nothing there, whatever lies beside."""
    start, stop = MIDDLE_MM - WIDTH_MM / 2, MIDDLE_MM + WIDTH_MM / 2
    middle = round(MIDDLE_MM / STEP_S_MM)
    deep = np.where(ALONG > MIDDLE_MM + 1.0, -10.0, -1.5)
    end = np.where(Z[None] > deep[:, None], 2.0, np.nan)
    first, last, between = 1, -1, 0
    assert _seen_column(end, start, stop, first) == pytest.approx(middle + 5, abs=1)
    # Behind a row's last tooth no scan goes on: there the wall itself is missing.
    assert _seen_column(end, start, stop, last) == middle
    assert _seen_column(end, start, stop, between) == middle
    deep = np.where(np.abs(ALONG - MIDDLE_MM) > 2.0, -10.0, -1.5)
    dip = np.where(Z[None] > deep[:, None], 2.0, np.nan)
    assert _seen_column(dip, start, stop, first) == middle


def test_between_two_likely_margins_inside_front_teeth_one_leans_to_the_middle() -> None:
    """Half way from the likeliest path to the height that is as often too high as too low."""
    start, stop = np.array([MIDDLE_MM - WIDTH_MM / 2]), np.array([MIDDLE_MM + WIDTH_MM / 2])
    cost = np.full((len(ALONG), len(Z)), 50.0)
    likely, wide = np.abs(Z + 5.0) < 0.1, np.abs(Z + 8.0) < 0.55
    cost[:, likely], cost[:, wide] = 0.0, 0.5
    path = Path(Z, np.full(len(ALONG), -5.0), cost, cost, cost)
    lean = _towards_middle(path, start, stop)
    assert lean[round(MIDDLE_MM / STEP_S_MM)] == pytest.approx(0.5 * (-8.0 + 5.0), abs=0.3)
    assert lean[0] == lean[-1] == 0.0


@pytest.mark.parametrize(("seen_at_margin", "border"), [(False, -7.0), (True, -12.0)])
def test_a_hole_from_the_crown_to_below_the_margin_leaves_nothing(
    seen_at_margin: bool, border: float
) -> None:
    """Unless surface is seen at the margin: then what lies above it is a hole in the crown."""
    at = np.arange(0.0, 30.0, STEP_MM)
    points = np.column_stack([at, 0.0 * at])
    outward = np.tile([0.0, 1.0], (len(at), 1))
    line = ArchLine(points, outward, at, np.zeros((1, 1), dtype=np.int32), np.zeros(2))
    there = Z > -4.0
    if seen_at_margin:
        there |= np.abs(Z + 7.0) < 1.5
    wall = np.tile(np.where(there, 3.0, np.nan), (len(ALONG), 1))
    sheets = Sheets(Z, wall, np.full_like(wall, np.nan), np.zeros(len(ALONG)))
    across = MIDDLE_MM + np.linspace(-0.5, 0.5, 5)
    rim = np.array([[x, 3.0, z] for x in across for z in (-4.0, -9.0)])
    edge = np.array([[x, 3.0, -12.0] for x in across])
    rim_facing, edge_facing = outward[: len(rim)], outward[: len(edge)]
    relief = Relief(edge, edge_facing, edge, edge_facing, rim, rim_facing, line)
    stand = Stand(MIDDLE_MM, 0.0, 0.0)
    column = round(MIDDLE_MM / STEP_S_MM)
    told, _ = border_height(sheets.facial, sheets, relief, 1.0, column, stand, -7.0)
    assert told == pytest.approx(border, abs=0.2)


@pytest.mark.parametrize(("reaches", "border"), [(-9.0, -9.0), (-6.0, -6.0), (None, -5.0)])
def test_a_scan_that_ends_beside_the_middle_shows_no_more_than_the_wall_there(
    reaches: float | None, border: float
) -> None:
    """Its border runs down beside the middle, to where the rest of the tooth was scanned."""
    at = np.arange(0.0, 30.0, STEP_MM)
    points = np.column_stack([at, 0.0 * at])
    outward = np.tile([0.0, 1.0], (len(at), 1))
    line = ArchLine(points, outward, at, np.zeros((1, 1), dtype=np.int32), np.zeros(2))
    wall = np.full((len(ALONG), len(Z)), np.nan)
    wall[ALONG > MIDDLE_MM + 1.0] = np.where(Z > -13.0, 3.0, np.nan)
    if reaches is not None:
        wall[ALONG <= MIDDLE_MM + 1.0] = np.where(reaches < Z, 3.0, np.nan)
    sheets = Sheets(Z, wall, np.full_like(wall, np.nan), np.zeros(len(ALONG)))
    edge = np.array([[MIDDLE_MM + 0.1, 3.0, z] for z in np.arange(-13.0, -4.0, 0.3)])
    facing = np.tile([0.0, 1.0], (len(edge), 1))
    relief = Relief(edge, facing, edge, facing, np.empty((0, 3)), np.empty((0, 2)), line)
    column = round(MIDDLE_MM / STEP_S_MM)
    stand = Stand(MIDDLE_MM, 0.0, 0.0)
    told, goes_on = border_height(sheets.facial, sheets, relief, 1.0, column, stand, -5.0)
    assert told == pytest.approx(border, abs=0.3)
    assert not goes_on


def read_at(margin_z: float, cliff_mm: float, highest: float = -np.inf) -> SideReading:
    """Read a tooth whose scan ends 12 mm down, and 6.5 mm from so far beside its middle on."""
    at = np.arange(0.0, 30.0, STEP_MM)
    outward = np.tile([0.0, 1.0], (len(at), 1))
    line = ArchLine(
        np.column_stack([at, 0.0 * at]), outward, at, np.zeros((1, 1), np.int32), np.zeros(2)
    )
    cliff = MIDDLE_MM + cliff_mm
    wall = np.where(Z[None] > np.where(cliff > ALONG, -12.0, -6.5)[:, None], 3.0, np.nan)
    sheets = Sheets(Z, wall, np.full_like(wall, np.nan), np.zeros(len(ALONG)))
    steps = [[cliff, 3.0, z] for z in np.arange(-12.0, -6.5, 0.25)]
    edge = np.array([[x, 3.0, -12.0 if x < cliff else -6.5] for x in np.arange(5, 25, 0.2)] + steps)
    facing = np.tile([0.0, 1.0], (len(edge), 1))
    relief = Relief(edge, facing, edge, facing, np.empty((0, 3)), np.empty((0, 2)), line)
    margin = np.full(len(ALONG), margin_z)
    cost = np.tile(40.0 * np.abs(Z - margin_z), (len(ALONG), 1))
    path = Path(Z, margin, cost, 0.0 * cost, 0.0 * cost)
    start, stop = MIDDLE_MM - WIDTH_MM / 2, MIDDLE_MM + WIDTH_MM / 2
    stand = Stand(MIDDLE_MM, 0.0, 0.0)
    return _read(
        path, margin, 0.0 * margin, sheets, relief, 1.0, stand, start, stop, wall, 1.3, 0, 3.0,
        highest,
    )  # fmt: skip


@pytest.mark.parametrize(("cliff_mm", "doubtful"), [(0.4, True), (2.5, False)])
def test_a_border_that_rises_right_beside_the_middle_leaves_doubt(
    cliff_mm: float, doubtful: bool
) -> None:
    """Where the middle of a tooth lies is not known to half a millimetre."""
    told = read_at(-5.0, cliff_mm)
    assert told.captured == pytest.approx(7.0, abs=0.4)
    assert told.doubtful == doubtful
    assert (told.low < 2.5) == doubtful


def test_a_line_that_only_another_tooth_s_length_tells_leaves_doubt() -> None:
    sure, unsure = read_at(-12.5, -9.0), read_at(-12.5, -9.0, highest=-2.0)
    assert (sure.captured, unsure.captured) == (0.0, 0.0)
    assert not sure.doubtful
    assert unsure.doubtful
    assert unsure.high == pytest.approx(4.5, abs=0.3)

"""Sharp creases and high steps tell the margin of crowns much longer or shorter than usual."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.gum.creases import (
    high_steps,
    plainness,
    sharp_creases,
    without_bulges,
)
from geometry.dentition.gum.margin import crease_angle, edge_step, expect, trace_margin
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

COLUMNS = 61
FRONT = np.array([True])
Z = 3.0 - STEP_Z_MM * np.arange(110)


def margin_of_a_wall(corner_rad: float, corner_z: float) -> float:
    """Margin told at the middle of a lone crown that is expected to be 9 mm long.

    The crown's end is a neck, a soft crease at 8.5 mm; the root goes straight down from it
    to the corner, below which the gum leans out by ``corner_rad``.
    """
    wall = np.where(Z > -8.5, 0.2 * (Z + 8.5), 0.0)
    wall = np.where(corner_z > Z, np.tan(corner_rad) * (corner_z - Z), wall)
    sheet = np.tile(np.where(Z > 0.0, np.nan, wall), (COLUMNS, 1))
    start, stop, tip, length = (np.array([v]) for v in (3.5, 11.5, 0.0, 9.0))
    hope = expect(COLUMNS, start, stop, tip, length, np.array([1.0]), FRONT, np.array([1.0]))
    crease = crease_angle(sheet, 1.0)
    step = edge_step(sheet, 1.0)
    signs = sharp_creases(crease, step, start, stop, FRONT, hope.middle, 1.0)
    border = np.full(COLUMNS, Z[-1])
    path = trace_margin(crease, step, signs, Z, border, hope)
    return float(path.height[round(7.5 / STEP_S_MM)])


@pytest.mark.parametrize("depth", [10.5, 11.5, 12.5])
def test_a_sharp_crease_up_to_four_millimetres_lower_is_the_margin(depth: float) -> None:
    assert margin_of_a_wall(0.6, -depth) == pytest.approx(-depth, abs=0.5)


def test_a_soft_fold_of_the_gum_is_not() -> None:
    assert margin_of_a_wall(0.12, -12.5) > -11.0


def test_a_crease_is_looked_for_along_the_scallop() -> None:
    crease = np.full((COLUMNS, len(Z)), -0.1)
    at = STEP_S_MM * np.arange(COLUMNS)
    scallop = np.where(np.abs(at - 7.5) <= 4.0, -10.0 + 0.2 * (at - 7.5) ** 2, np.nan)
    for column in np.flatnonzero(~np.isnan(scallop)):
        crease[column, np.abs(Z - scallop[column]).argmin()] = 0.5
    place = (np.array([3.5]), np.array([11.5]), FRONT, scallop)
    signs = sharp_creases(crease, np.zeros(crease.shape), *place, 1.0)
    side = round(10.5 / STEP_S_MM)
    assert signs[side].max() > 0
    assert Z[signs[side].argmax()] == pytest.approx(scallop[side], abs=0.7)
    assert not signs[: round(3.0 / STEP_S_MM)].any()


@pytest.mark.parametrize(
    ("edge", "front", "plain", "counts"),
    [(0.2, False, 1.0, False), (0.0, False, 1.0, True), (0.2, True, 1.0, True),
     (0.2, False, 0.0, True)],
)  # fmt: skip
def test_a_sharp_crease_under_rolled_gum_is_not_the_margin_of_a_back_tooth(
    edge: float, front: bool, plain: float, counts: bool
) -> None:
    """Its free edge stands out two millimetres above, if crowns are plain enough to tell."""
    wall = edge * np.clip((-7.0 - Z) / 0.3 + 0.5, 0.0, 1.0)
    wall += np.where(Z < -9.0, 0.6 * (-9.0 - Z), 0.0)
    sheet = np.tile(np.where(Z > 0.0, np.nan, wall), (COLUMNS, 1))
    scallop = np.full(COLUMNS, -8.5)
    place = (np.array([3.5]), np.array([11.5]), np.array([front]), scallop)
    signs = sharp_creases(crease_angle(sheet, 1.0), edge_step(sheet, 1.0), *place, plain)
    assert (signs[:, np.abs(Z + 9.0) < 0.5].max() > 4.0) == counts


def margin_of_steps(side: str, *steps: tuple[float, float], last: float = -15.0) -> float:
    """Margin told at the middle of a lone crown that is expected to be 9 mm long.

    Its wall comes out by so much within 0.3 mm at each height, as the free edge of gum does,
    and is scanned down to ``last``.
    """
    wall = np.zeros(len(Z))
    for height, out in steps:
        wall += out * np.clip((height - Z) / 0.3 + 0.5, 0.0, 1.0)
    sheet = np.tile(np.where((Z > 0.0) | (last > Z), np.nan, wall), (COLUMNS, 1))
    start, stop, tip, length = (np.array([v]) for v in (3.5, 11.5, 0.0, 9.0))
    plain = np.array([1.0 if side == "facial" else 0.2])
    hope = expect(COLUMNS, start, stop, tip, length, np.array([1.0]), FRONT, plain)
    step = edge_step(sheet, 1.0)
    signs = high_steps(step, Z, start, stop, FRONT, hope.middle, side)
    border = np.full(COLUMNS, last)
    path = trace_margin(crease_angle(sheet, 1.0), step, signs, Z, border, hope, 1.0)
    return float(path.height[round(7.5 / STEP_S_MM)])


@pytest.mark.parametrize("height", [-5.0, -6.0, -12.0])
def test_a_high_step_is_the_margin_of_a_crown_of_unusual_length(height: float) -> None:
    assert margin_of_steps("facial", (height, 0.25)) == pytest.approx(height, abs=0.5)


def test_a_ripple_is_not() -> None:
    assert margin_of_steps("facial", (-5.0, 0.03)) < -7.0


@pytest.mark.parametrize(("out", "told"), [(0.25, True), (1.5, False)])
def test_what_stands_far_out_is_no_edge_of_gum(out: float, told: bool) -> None:
    wall = out * np.clip((-5.0 - Z) / 0.3 + 0.5, 0.0, 1.0)
    sheet = np.tile(np.where(Z > 0.0, np.nan, wall), (COLUMNS, 1))
    scallop = np.full(COLUMNS, -9.0)
    args = (Z, np.array([3.5]), np.array([11.5]), FRONT, scallop)
    near = np.abs(Z + 5.0) < 1.0
    assert (high_steps(edge_step(sheet, 1.0), *args, "facial")[:, near].max() > 2.0) == told


def test_inside_of_front_teeth_the_lower_of_two_steps_is_the_margin() -> None:
    both = margin_of_steps("lingual", (-6.0, 0.25), (-9.5, 0.2))
    assert both == pytest.approx(-9.5, abs=0.5)
    assert margin_of_steps("lingual", (-6.0, 0.25)) == pytest.approx(-6.0, abs=0.5)


def test_there_a_step_right_over_the_border_may_be_the_cingulum() -> None:
    step = np.full((COLUMNS, len(Z)), np.nan)
    step[:, (Z < -1.0) & (Z > -7.0)] = 0.0
    step[:, np.abs(Z + 6.8).argmin()] = 0.3
    at = STEP_S_MM * np.arange(COLUMNS)
    scallop = np.where(np.abs(at - 7.5) <= 4.0, -9.0, np.nan)
    args = (Z, np.array([3.5]), np.array([11.5]), FRONT, scallop)
    assert high_steps(step, *args, "lingual").max() < 1.0
    assert high_steps(step, *args, "facial").max() > 2.0


def test_a_primary_canine_is_four_to_five_millimetres_shorter_than_the_permanent_one() -> None:
    # Crowns of 6.5 and 11 mm (handbook means for the mandible, from memory).
    assert margin_of_steps("facial", (-4.5, 0.15)) == pytest.approx(-4.5, abs=0.5)


@pytest.mark.parametrize(("ripple", "trusted"), [(0.0, 1.0), (0.02, 1.0), (0.2, 0.0)])
def test_steps_are_trusted_where_crowns_are_plain(ripple: float, trusted: float) -> None:
    wall = ripple * np.sin(2.0 * np.pi * Z / 2.0)
    wall += 0.5 * np.clip((-8.0 - Z) / 0.3, 0.0, 1.0)
    sheet = np.tile(np.where(Z > 0.0, np.nan, wall), (COLUMNS, 1))
    args = (np.array([3.5]), np.array([11.5]), np.array([0.0]), np.array([9.0]))
    assert plainness(edge_step(sheet, 1.0), Z, *args) == pytest.approx(trusted, abs=0.01)
    assert plainness(np.full(sheet.shape, np.nan), Z, *args) == 0.0


def test_where_they_are_not_usual_lengths_weigh_as_much_as_ever() -> None:
    sheet = np.tile(np.where(Z > 0.0, np.nan, 0.2 * (Z < -4.5)), (COLUMNS, 1))
    one = np.array([1.0])
    start, stop, tip, length = (np.array([v]) for v in (3.5, 11.5, 0.0, 9.0))
    hope = expect(COLUMNS, start, stop, tip, length, one, FRONT, one)
    step, crease = edge_step(sheet, 1.0), crease_angle(sheet, 1.0)
    args = (crease, step, np.zeros(step.shape), Z, np.full(COLUMNS, -15.0), hope)
    middle = round(7.5 / STEP_S_MM)
    assert trace_margin(*args).height[middle] < -7.0
    assert trace_margin(*args, 1.0).height[middle] > -5.5


def test_inside_front_teeth_the_lower_end_of_a_cingulum_is_no_edge_of_gum() -> None:
    rows = np.arange(100)
    # The crown is round; at row 40 it steps out and turns in, at row 70 it turns out first.
    crease, step = np.full((80, 100), -0.06), np.zeros((80, 100))
    step[:, (rows > 37) & (rows < 43)] = 0.12
    crease[:, (rows > 37) & (rows < 46)] = -0.3
    step[:, (rows > 68) & (rows < 74)] = 0.12
    crease[:, (rows > 64) & (rows < 70)] = 0.3
    left = without_bulges(crease, step, np.array([2.0]), np.array([9.0]))
    inside = slice(round(2.0 / STEP_S_MM) + 1, round(9.0 / STEP_S_MM))
    assert np.all(left[inside, 38:43] == 0.0)
    assert left[inside, 69:74] == pytest.approx(0.12)
    assert left[: inside.start - 1] == pytest.approx(step[: inside.start - 1])

"""A retainer wire behind front teeth, on inner walls made by formula."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition import Dentition
from geometry.dentition.gum.margin import crease_angle
from geometry.dentition.gum.wires import bonded_pads, bonded_wire, covered
from geometry.dentition.result import Wire
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM
from geometry.inspection.findings.tissue import gap_findings
from geometry.inspection.limits import DEFAULT_LIMITS

WIDE, TEETH = 5.5, np.array([44, 43, 42, 41, 31, 32, 33, 34])
START = 5.0 + WIDE * np.arange(len(TEETH))
STOP = START + WIDE
TIP = np.zeros(len(TEETH))
Z = 3.0 - STEP_Z_MM * np.arange(100)
S = STEP_S_MM * np.arange(round((STOP[-1] + 5.0) / STEP_S_MM))
BOUNDS = STOP[:-1]


def inner_walls() -> np.ndarray:
    """Round crowns with valleys of 1.2 mm between them, over gum that slopes inward."""
    crown = 1.2 * np.abs(np.sin(np.pi * (S - START[0]) / WIDE)) ** 0.6
    gum = np.clip((-7.0 - Z) / 2.0, 0.0, 1.0)
    inward = 2.0 + crown[:, None] * (1.0 - gum) + gum * (1.5 + 0.3 * (-7.0 - Z))
    inward[:, Z > 0.0] = np.nan
    return -inward


def with_wire(heights, thick: float = 0.6) -> np.ndarray:
    """A wire that touches the crowns, its height at each bound between teeth (NaN: none)."""
    sheet = inner_walls()
    at = np.interp(S, BOUNDS, heights, left=np.nan, right=np.nan)
    for i in np.flatnonzero(~np.isnan(at)):
        across = np.sqrt(np.clip((thick / 2) ** 2 - (Z - at[i]) ** 2, 0.0, None))
        on = across > 0
        sheet[i, on] = np.fmin(sheet[i, on], -3.1 - across[on])
    return sheet


def with_pads(teeth, thick: float = 0.9, high: float = 2.4) -> np.ndarray:
    """A round lump of composite across each crown's middle, 3.6 mm below the tips."""
    sheet = inner_walls()
    for k in teeth:
        near = np.abs(S - 0.5 * (START[k] + STOP[k])) < 0.4 * WIDE
        back = thick * np.clip(1.0 - ((Z + 3.6) / (high / 2)) ** 2, 0.0, None) ** 0.5
        sheet[near] -= back
    return sheet


def pads_of(sheet, numbers=TEETH):
    return bonded_pads(crease_angle(sheet, -1.0), Z, START, STOP, TIP, numbers)


def bridged(sheet) -> list[int]:
    return [one.first for one in bonded_wire(sheet, Z, START, STOP, TIP, TEETH)]


def test_bare_teeth_have_no_wire():
    assert bridged(inner_walls()) == []


@pytest.mark.parametrize("thick", [0.45, 0.8])
def test_a_wire_from_canine_to_canine_is_found_where_it_bridges(thick):
    sheet = with_wire(np.full(7, -3.6), thick)
    assert bridged(sheet) == [1, 2, 3, 4, 5]
    places = bonded_wire(sheet, Z, START, STOP, TIP, TEETH)
    assert [Z[one.row] for one in places] == pytest.approx([-3.6] * 5, abs=0.25)
    assert [one.column * STEP_S_MM for one in places] == pytest.approx(list(BOUNDS[1:6]), abs=0.2)


def test_open_spaces_under_a_wire_do_not_hide_it():
    sheet = with_wire(np.full(7, -3.6))
    valley = np.abs(np.sin(np.pi * (S - START[0]) / WIDE)) < 0.3
    sheet[np.ix_(valley, (Z < -4.0) & (Z > -8.0))] = np.nan
    assert bridged(sheet) == [1, 2, 3, 4, 5]


def test_a_wire_may_rise_and_fall_with_the_teeth():
    assert bridged(with_wire([-3.0, -3.0, -4.2, -3.2, -4.4, -3.6, -3.6])) == [1, 2, 3, 4, 5]


def test_two_films_of_moisture_are_no_wire():
    heights = np.full(7, np.nan)
    heights[2:4] = -3.6
    assert bridged(with_wire(heights)) == []


def test_lumps_at_unlike_heights_are_no_wire():
    sheet = inner_walls()
    for bound, high in zip(BOUNDS[1:6], (-2.0, -5.0, -2.0, -5.0, -2.0), strict=True):
        near = np.hypot(S[:, None] - bound, Z[None] - high) < 0.7
        sheet[near] = np.fmin(sheet[near], -3.5)
    assert bridged(sheet) == []


def test_a_fold_that_stands_out_over_the_crowns_as_well_is_no_wire():
    sheet = inner_walls()
    sheet[:, np.abs(Z + 5.0) < 0.4] -= 1.0
    assert bridged(sheet) == []


def test_back_teeth_are_not_asked():
    at = np.array([48, 47, 46, 45, 44, 43, 42, 41])
    assert bonded_wire(with_wire(np.full(7, -3.6)), Z, START, STOP, TIP, at) == []


@pytest.mark.parametrize(("thick", "high"), [(0.7, 2.0), (0.9, 2.4), (1.2, 2.8)])
def test_pads_tooth_after_tooth_are_found(thick, high):
    pads = pads_of(with_pads(range(1, 7), thick, high))
    assert [pad.tooth for pad in pads] == list(range(1, 7))
    middles = [0.5 * (Z[pad.top] + Z[pad.low]) for pad in pads]
    assert middles == pytest.approx([-3.6] * 6, abs=0.3)


def test_bare_teeth_one_lump_and_back_teeth_have_none():
    assert pads_of(inner_walls()) == []
    assert pads_of(with_pads([3])) == []
    back = np.array([48, 47, 46, 45, 44, 43, 42, 35])
    assert pads_of(with_pads(range(5)), back) == []


def test_what_a_wire_covers_goes_from_the_first_pad_to_the_last():
    sheet = with_pads([1, 2, 4, 5])
    marks = covered(pads_of(sheet), sheet.shape, START, STOP)
    assert marks[np.ix_((START[1] + 0.1 < S) & (STOP[5] - 0.1 > S), np.abs(Z + 3.6) < 1.0)].all()
    assert not marks[:, (Z > -1.5) | (Z < -6.0)].any()
    assert not marks[(START[1] - 0.3 > S) | (STOP[5] + 0.3 < S)].any()
    assert not covered([], sheet.shape, START, STOP).any()


@pytest.mark.parametrize("known", [True, False])
def test_a_wire_asks_whether_the_appliance_goes_over_it(known):
    mouth = Dentition("lower", wire=Wire((43, 33), "07", np.zeros(3)))
    (found,) = gap_findings(mouth, known, DEFAULT_LIMITS)
    assert (found.code, found.severity, found.side) == ("bonded_parts", "check", "lingual")
    assert ("from lower right canine to lower left canine" in found.message) == known
    assert "whether the appliance goes over it" in found.message

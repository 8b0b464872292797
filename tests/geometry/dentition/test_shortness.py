"""Primary canines and molars among permanent teeth, told by width and by where crowns end."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition import analysis
from geometry.dentition.gum.successors import odds_of_primary
from geometry.dentition.gum.tissue import Margins, Seen, SideReading
from geometry.dentition.row.crowns import CROWN_SIZES_MM, height_shares, permanent_row
from geometry.dentition.row.rows import Row
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM
from geometry.dentition.row.shortness import MIXED_ODDS, told_apart
from geometry.topology import analyse as analyse_topology
from tests.geometry.dentition.conftest import Reading

# Nelson, Wheeler's Dental Anatomy, table of the primary teeth: crown lengths of canine, first and
# second molar, mm (from memory).
PRIMARY_LENGTHS = {"upper": (6.5, 5.1, 5.7), "lower": (6.0, 6.0, 5.5)}
NUMBERS = permanent_row("upper")[2:-2]
CHANGED = (NUMBERS % 10 >= 3) & (NUMBERS % 10 <= 5)
WIDE = 8.0
Z = 3.0 - STEP_Z_MM * np.arange(110)


def row_of(numbers: np.ndarray, *, mixed: bool = False, by_width: float = -1.0) -> Row:
    changed = (numbers % 10 >= 3) & (numbers % 10 <= 5)
    start = 6.0 + WIDE * np.arange(len(numbers))
    return Row(numbers, start, start + WIDE, 0.0, 1.0, np.full(len(numbers), 9.0),
               np.zeros((4, 4)), np.where(changed, by_width, np.nan), mixed)


def margins_at(row: Row, heights: dict[str, np.ndarray]) -> Margins:
    """Clear scalloped creases and steps so far below tips at zero."""
    s = STEP_S_MM * np.arange(round((row.stop[-1] + 6.0) / STEP_S_MM))
    seen, readings = {}, {}
    for side, height in heights.items():
        line = np.zeros((len(s), len(Z)))
        for start, deep in zip(row.start, height, strict=True):
            off = np.abs(s - start - 0.5 * WIDE) / (0.5 * WIDE)
            scallop = -deep + min(3.0, 0.42 * deep) * off[off <= 1.0, None] ** 2.5
            line[off <= 1.0] = np.exp(-(((Z - scallop) / 0.35) ** 2))
        unknown = [np.full(len(Z), np.nan)] * len(height)
        seen[side] = Seen(0.4 * line, 0.1 * line, np.full(len(s), -16.0), unknown)
        readings[side] = [
            SideReading(-z, True, 5.0, 4.5, 5.5, 0.0, False, -z - 5.0, False,
                        np.empty(0, np.int64), np.empty(0))
            for z in height.tolist()
        ]
    none = np.zeros(len(row.numbers), dtype=np.bool_)
    return Margins(readings, {}, 1.0, none, [], seen)


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize("seen", [0.85, 0.95, 1.05])
@pytest.mark.parametrize("mixed", [False, True])
def test_crowns_end_where_primary_or_permanent_ones_do(arch, seen, mixed):
    numbers = permanent_row(arch)[2:-2]
    lengths = CROWN_SIZES_MM[arch][numbers % 10 - 1, 0].copy()
    if mixed:
        for place, own in enumerate(PRIMARY_LENGTHS[arch], 3):
            lengths[numbers % 10 == place] = own
    row = row_of(numbers)
    heights = {side: seen * lengths * height_shares(numbers, side)
               for side in ("facial", "lingual")}
    odds = odds_of_primary(margins_at(row, heights), Z, row, np.zeros(len(numbers)), arch)
    asked = (numbers % 10 >= 3) & (numbers % 10 <= 5)
    assert np.isnan(odds[~asked]).all()
    assert ((odds[asked] > 1.0) if mixed else (odds[asked] < -1.0)).all()


def test_short_crowns_of_usual_width_are_numbered_as_primary():
    # ISO 3950: 53 to 55 stand where 13 to 15 come.
    named = told_apart(row_of(NUMBERS), np.where(CHANGED, 5.0, np.nan))
    assert named.numbers.tolist() == np.where(CHANGED, NUMBERS + 40, NUMBERS).tolist()
    assert named.sure.all()


def test_long_crowns_take_primary_numbers_back():
    wide = row_of(np.where(CHANGED, NUMBERS + 40, NUMBERS), mixed=True, by_width=0.5)
    named = told_apart(wide, np.where(CHANGED, -5.0, np.nan))
    assert named.numbers.tolist() == NUMBERS.tolist()
    assert named.sure.all()


def test_what_width_and_length_tell_apart_only_just_is_unsure():
    row = row_of(NUMBERS, mixed=True)
    named = told_apart(row, np.where(CHANGED, 2.0, np.nan))
    assert (named.numbers[CHANGED] > 50).all()
    assert named.sure.tolist() == (~CHANGED).tolist()


def test_teeth_told_otherwise_than_their_pair_are_unsure_and_go_with_the_clearer_one():
    odds = np.where(CHANGED, 8.0, np.nan)
    odds[NUMBERS == 14] = 0.0  # a little against it, by width
    named = told_apart(row_of(NUMBERS, mixed=True), odds)
    assert (named.numbers[CHANGED] > 50).all()
    assert named.sure.tolist() == (NUMBERS % 10 != 4).tolist()
    odds[NUMBERS == 14] = -8.0
    named = told_apart(row_of(NUMBERS, mixed=True), odds)
    assert 14 in named.numbers.tolist()
    assert named.sure.tolist() == (NUMBERS % 10 != 4).tolist()


def test_a_permanent_row_stays_one_where_a_single_crown_looks_short():
    odds = np.where(CHANGED, -4.0, np.nan)
    assert told_apart(row_of(NUMBERS), odds).sure.all()
    odds[NUMBERS == 13] = MIXED_ODDS
    named = told_apart(row_of(NUMBERS), odds)
    assert named.numbers.tolist() == NUMBERS.tolist()
    # A primary canine that was kept is thought of.
    assert named.sure.tolist() == (NUMBERS != 13).tolist()


def test_teeth_that_may_be_sunk_between_others_are_not_asked():
    numbers = np.array([55, 54, 53, 52, 51, 61, 62, 63, 64, 65])
    row = row_of(numbers)
    row.primary[:] = np.nan
    named = told_apart(row, np.full(10, np.nan))
    assert named.numbers.tolist() == numbers.tolist()
    assert named.sure.all()


def test_margins_are_read_again_where_crowns_end_as_primary_ones(
    whole: Reading, monkeypatch: pytest.MonkeyPatch
) -> None:
    arch, before = whole
    short = (13, 14, 15, 23, 24, 25)
    monkeypatch.setattr(
        analysis, "odds_of_primary",
        lambda _margins, _z, row, *_: np.where(np.isin(row.numbers, short), 20.0, np.nan),
    )
    found = analysis.analyse(
        arch.mesh, arch.truth, analyse_topology(arch.mesh, self_intersections=False)
    )
    told = [n + 40 if n in short else n for n in (tooth.number for tooth in before.teeth)]
    assert [tooth.number for tooth in found.teeth] == told
    for one, other in zip(before.teeth, found.teeth, strict=True):
        assert other.sextant == one.sextant

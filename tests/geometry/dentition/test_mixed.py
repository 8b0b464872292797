"""Mouths of children: primary teeth in the row."""

import numpy as np
import pytest

from geometry.dentition.row import rows, sheets, spaces
from geometry.dentition.row.crowns import CROWN_SIZES_MM, PRIMARY_SIZES_MM, permanent, permanent_row
from geometry.dentition.row.rows import Row, find_row
from geometry.dentition.row.usual import BREADTH_MM, PRIMARY_BREADTH_MM
from geometry.inspection.place import tooth_words

ALL = (1, 2, 3, 4, 5)
SEEN = 6  # incisors to first permanent molars, as at nine years


def row_of(arch: str, primary: tuple[int, ...], scale: float = 1.0, seen: int = SEEN) -> Row:
    """Read a row of teeth of average size, some places of each side held by primary ones."""
    widths, breadths = CROWN_SIZES_MM[arch][:seen, 1].copy(), BREADTH_MM[arch][:seen].copy()
    for place in primary:
        widths[place - 1] = PRIMARY_SIZES_MM[arch][place - 1, 1]
        breadths[place - 1] = PRIMARY_BREADTH_MM[arch][place - 1]
    widths, breadths = (scale * np.concatenate([of[::-1], of]) for of in (widths, breadths))
    ends = 4.0 + np.concatenate([[0.0], np.cumsum(widths)])
    s = np.arange(0.0, ends[-1] + 4.0, sheets.STEP_S_MM)
    groove = 3.0 * np.exp(-0.5 * ((s[:, None] - ends) / 0.3) ** 2).max(axis=1)
    crown = ((s > ends[0]) & (s < ends[-1])).astype(np.float64)
    breadth = np.concatenate([[0.0], breadths, [0.0]])[np.searchsorted(ends, s)]
    shadow = np.zeros(
        (round(s[-1] / spaces.CELL_MM) + 2, round(2 * spaces.HALF_MM / spaces.CELL_MM))
    )
    signs = rows.Signs(groove, crown, breadth, np.zeros_like(s), shadow)
    return find_row(signs, arch, ends[seen] - s)


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize("scale", [0.94, 1.0, 1.06])
@pytest.mark.parametrize("primary", [(5,), (4, 5), (3, 4, 5)])
def test_primary_teeth_do_not_shift_the_numbers_and_are_told_or_unsure(
    arch: str, scale: float, primary: tuple[int, ...]
) -> None:
    row = row_of(arch, primary, scale)
    places = [permanent(number) for number in row.numbers.tolist()]
    assert places == permanent_row(arch)[2:-2].tolist()
    is_primary, told = np.isin(row.numbers % 10, primary), row.numbers > 50
    assert not told[~is_primary].any()
    if len(primary) > 1:  # second molars alone may pass for broad premolars
        assert not row.sure[is_primary & ~told].any()


def test_second_primary_molars_of_a_child_of_nine_are_named() -> None:
    # ISO 3950: quadrants 5 to 8 are those of the primary teeth, 5 is the second molar.
    row = row_of("lower", (3, 4, 5))
    seconds = row.numbers[row.numbers % 10 == 5]
    assert seconds.tolist() == [85, 75]
    assert row.sure[row.numbers > 80].all()


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize("scale", [0.93, 1.0, 1.07])
def test_the_ten_teeth_of_a_small_child_are_named(arch: str, scale: float) -> None:
    # ISO 3950: quadrants 5 and 6 above, 8 and 7 below, from the patient's right to the left.
    row = row_of(arch, ALL, scale, seen=5)
    right, left = (50, 60) if arch == "upper" else (80, 70)
    assert row.numbers.tolist() == [right + k for k in (5, 4, 3, 2, 1)] + [left + k for k in ALL]
    assert row.sure[row.numbers % 10 > 2].all()


@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_primary_incisors_between_first_molars_are_not_surely_permanent(arch: str) -> None:
    row = row_of(arch, ALL)
    assert (row.numbers[[0, -1]] % 10).tolist() == [6, 6]
    assert (row.numbers[[0, -1]] < 50).all()
    assert not row.sure[1:-1][row.numbers[1:-1] < 50].any()


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize("erupted", [(1,), (1, 2)])
def test_incisors_that_have_changed_are_not_surely_primary(
    arch: str, erupted: tuple[int, ...]
) -> None:
    row = row_of(arch, tuple(k for k in ALL if k not in erupted), seen=5)
    changed = np.isin(row.numbers % 10, erupted)
    assert not row.sure[changed & (row.numbers > 50)].any()
    assert not row.sure[~changed & (row.numbers < 50)].any()


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize("scale", [0.85, 0.92, 1.0])
def test_small_permanent_rows_of_ten_are_not_surely_primary(arch: str, scale: float) -> None:
    row = row_of(arch, (), scale, seen=5)
    assert not row.sure[row.numbers > 50].any()


def test_a_tooth_far_below_primary_ones_is_not_surely_named() -> None:
    # A primary molar grown fast sinks under its neighbours, or its successor comes: both are seen.
    cell, half = spaces.CELL_MM, spaces.HALF_MM
    top = np.where(np.abs(np.arange(160) * sheets.STEP_S_MM - 12.0) < 4.0, -4.0, 0.0)
    s, n = np.meshgrid(np.arange(0.0, 40.0, cell), np.arange(-half, half, cell), indexing="ij")
    shadow = np.cos(2.0 * np.pi * s / 5.0) * np.cos(2.0 * np.pi * n / 5.0) - 1.5 * (n / 4.0) ** 2
    ends = np.array([1.0, 16.0]), np.array([8.0, 21.0])
    below = np.maximum(shadow - 4, -10.0)
    known = np.full(2, 9.0)
    row = Row(np.array([73, 75]), *ends, 0.0, 1.0, known, below, known, mixed=True)
    found = rows.with_sunken(row, top, "lower")
    assert found.numbers.tolist() == [73, 74, 75]
    assert found.sure.tolist() == [True, False, True]


def test_words_for_primary_teeth() -> None:
    assert tooth_words(75) == "lower left second primary molar"
    assert tooth_words(54) == "upper right first primary molar"
    assert tooth_words(81) == "lower right primary central incisor"
    assert tooth_words(63) == "upper left primary canine"
    assert tooth_words(35) == "lower left second premolar"


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize("scale", [0.9, 1.0, 1.1])
def test_permanent_teeth_are_sure(arch: str, scale: float) -> None:
    row = row_of(arch, (), scale)
    assert row.numbers.tolist() == permanent_row(arch)[2:-2].tolist()
    assert row.sure.all()


def test_widths_of_primary_teeth() -> None:
    # Nance 1947, "The limitations of orthodontic treatment" (from memory): primary canine and
    # molars take more room than their successors, a side 0.9 mm above and 1.7 mm below; the
    # molars are broader than the premolars, the canines narrower than the canines.
    room = {}
    for arch, sizes in PRIMARY_SIZES_MM.items():
        primary = sizes[2:, 1]
        after = CROWN_SIZES_MM[arch][2:5, 1]
        room[arch] = float((primary - after).sum())
        assert primary[0] < after[0]
        assert np.all(primary[1:] > after[1:])
    assert room["upper"] == pytest.approx(0.9, abs=1.2)
    assert room["lower"] == pytest.approx(1.7, abs=1.2)
    assert room["lower"] > room["upper"] > 0.0

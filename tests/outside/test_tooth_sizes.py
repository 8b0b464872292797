"""Crown sizes and tooth designation against published figures.

Sources, each beside its check. The project keeps two copies of the table of average
crowns, one in the generator and one in the product, so that a slip in one shows here.
"""

from __future__ import annotations

import numpy as np
import pytest

from fixtures.arches import CROWNS, ArchSpec, make_arch
from geometry.dentition.row.crowns import (
    CROWN_SIZES_MM,
    PRIMARY_SIZES_MM,
    between,
    permanent,
    permanent_row,
    row_numbers,
    row_sizes,
    sextant_of,
)

# Nelson, Wheeler's Dental Anatomy, Physiology and Occlusion, Table 1-1: crown length,
# mesiodistal, faciolingual, mm. Values from memory; some editions differ by 0.2.
WHEELER = {
    "upper": [(10.5, 8.5, 7.0), (9.0, 6.5, 6.0), (10.0, 7.5, 8.0), (8.5, 7.0, 9.0),
              (8.5, 7.0, 9.0), (7.5, 10.0, 11.0), (7.0, 9.0, 11.0), (6.5, 8.5, 10.0)],
    "lower": [(9.0, 5.0, 6.0), (9.5, 5.5, 6.5), (11.0, 7.0, 7.5), (8.5, 7.0, 7.5),
              (8.0, 7.0, 8.0), (7.5, 11.0, 10.5), (7.0, 10.5, 10.0), (7.0, 10.0, 9.5)],
}


@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_average_crowns(arch: str) -> None:
    np.testing.assert_allclose(CROWN_SIZES_MM[arch], WHEELER[arch])
    np.testing.assert_allclose(CROWNS[arch], WHEELER[arch])


def test_average_primary_crowns() -> None:
    # Wheeler, table of the primary teeth: crown length, mesiodistal, faciolingual from central
    # incisor to second molar, mm (from memory); other tables give 0.9 more for some widths.
    table = {
        "upper": [(6.0, 6.5, 5.0), (5.6, 5.1, 4.0), (6.5, 7.0, 7.0), (5.1, 7.3, 8.5),
                  (5.7, 8.2, 10.0)],
        "lower": [(5.0, 4.2, 4.0), (5.2, 4.1, 4.0), (6.0, 5.0, 4.8), (6.0, 7.7, 7.0),
                  (5.5, 9.9, 8.7)],
    }
    for arch, sizes in table.items():
        np.testing.assert_allclose(PRIMARY_SIZES_MM[arch], sizes, atol=0.91)
        assert (PRIMARY_SIZES_MM[arch][:, 0] < CROWN_SIZES_MM[arch][:5, 0]).all()


def test_teeth_told_apart_with_their_sizes() -> None:
    for arch in ("upper", "lower"):
        sizes = dict(zip(row_numbers(arch).tolist(), row_sizes(arch).tolist(), strict=True))
        for number, size in sizes.items():
            place = number % 10
            table = PRIMARY_SIZES_MM if number > 50 else CROWN_SIZES_MM
            assert size == table[arch][place - 1].tolist()
        assert len(sizes) == 26
        assert {permanent(n) for n in sizes} == set(permanent_row(arch).tolist())


def test_tooth_size_ratios_of_the_averages() -> None:
    # Bolton, Angle Orthod 1958;28:113-130: overall 91.3 ± 1.91 %, anterior 77.2 ± 1.65 %
    # (means and SDs as quoted in secondary sources).
    upper, lower = CROWN_SIZES_MM["upper"][:, 1], CROWN_SIZES_MM["lower"][:, 1]
    assert 100 * lower[:6].sum() / upper[:6].sum() == pytest.approx(91.3, abs=1.91)
    assert 100 * lower[:3].sum() / upper[:3].sum() == pytest.approx(77.2, abs=1.65)


def test_clinical_crowns_of_upper_front_teeth() -> None:
    # J Prosthet Dent 2015;113(6):565-570, doi 10.1016/j.prosdent.2014.11.006, 412 adults:
    # width × length 8.71 × 10.23, 6.75 × 8.59, 7.81 × 9.93 mm (abstract).
    measured = [(8.71, 10.23), (6.75, 8.59), (7.81, 9.93)]
    for (length, width, _), (w, h) in zip(CROWN_SIZES_MM["upper"], measured, strict=False):
        assert width == pytest.approx(w, abs=0.5)
        assert length == pytest.approx(h, abs=0.5)


def test_designation_of_all_teeth() -> None:
    # ISO 3950 two-digit system: all 32 numbers sum to 944 (80 per quadrant digit, 36 each).
    numbers = np.concatenate([permanent_row("upper"), permanent_row("lower")])
    assert len(set(numbers.tolist())) == 32
    assert numbers.sum() == 944
    assert permanent_row("upper")[[0, 7, 8, 15]].tolist() == [18, 11, 21, 28]
    assert permanent_row("lower")[[0, 7, 8, 15]].tolist() == [48, 41, 31, 38]
    assert row_sizes("lower")[7, 1] == 5.0


def test_sextants() -> None:
    # ISO 3950 sextants (from memory): 03 upper right, 04 upper front, 05 upper left,
    # 06 lower left, 07 lower front, 08 lower right.
    want = {"03": (14, 18), "04": (13, 23), "05": (24, 28), "06": (34, 38), "07": (33, 43),
            "08": (44, 48)}
    for sextant, numbers in want.items():
        assert {sextant_of(n) for n in numbers} == {sextant}
    primary = {"03": (54, 55), "04": (51, 53, 61, 63), "05": (64, 65), "06": (74, 75),
               "07": (71, 73, 81, 83), "08": (84, 85)}
    for sextant, numbers in primary.items():
        assert {sextant_of(n) for n in numbers} == {sextant}
    for wrong in (19, 10, 9, 49, 50, 56, 91):
        with pytest.raises(ValueError, match="ISO 3950"):
            sextant_of(wrong)


def test_teeth_that_belong_between_two() -> None:
    # ISO 3950: from the patient's right to the left, quadrants 1 and 2, 4 and 3; primary 5 to 8.
    assert between(15, 13) == (14,)
    assert between(12, 22) == (11, 21)
    assert between(44, 43) == ()
    assert between(84, 82) == (83,)
    assert between(52, 62) == (51, 61)
    assert between(74, 36) == (35,)
    assert between(53, 11) == (12,), "a permanent incisor comes before its neighbour's canine goes"


@pytest.mark.parametrize(("arch", "low", "high"), [("upper", 28.0, 40.0), ("lower", 21.0, 32.0)])
def test_generated_arches_are_as_wide_as_people(arch: str, low: float, high: float) -> None:
    # Intercanine cusp-tip width of adults about 32-35 (SD 2) upper, 24-27 (SD 1.5-2) lower:
    # Moyers 1976, Bishara et al. 1997 (from memory); three SDs either side.
    made = make_arch(ArchSpec(arch=arch, triangles=6_000), 1)
    right, left = (13, 23) if arch == "upper" else (43, 33)
    tips = [made.truth.tooth(n).tips.mean(0) for n in (right, left)]
    assert low < np.linalg.norm(tips[0] - tips[1]) < high

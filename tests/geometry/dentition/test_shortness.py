"""Teeth told to be canines and premolars, as short as the primary teeth in their places."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition import analysis
from geometry.dentition.row.crowns import CROWN_SIZES_MM, height_shares, permanent_row
from geometry.dentition.row.shortness import as_short_as_primary
from geometry.topology import analyse as analyse_topology
from tests.geometry.dentition.conftest import Reading

# Nelson, Wheeler's Dental Anatomy, table of the primary teeth: crown lengths of canine, first and
# second molar, mm (from memory).
PRIMARY_LENGTHS = {"upper": (6.5, 5.1, 5.7), "lower": (6.0, 6.0, 5.5)}


def heights(arch: str, seen: float, *, mixed: bool, seed: int = 0) -> tuple[np.ndarray, dict]:
    numbers = permanent_row(arch)[2:-2]
    lengths = CROWN_SIZES_MM[arch][numbers % 10 - 1, 0].copy()
    if mixed:
        for place, own in enumerate(PRIMARY_LENGTHS[arch], 3):
            lengths[numbers % 10 == place] = own
    rng = np.random.default_rng(seed)
    read = {}
    for side in ("facial", "lingual"):
        noise = rng.normal(0.0, 0.4, len(numbers))
        read[side] = seen * lengths * height_shares(numbers, side) + noise
    return numbers, read


@pytest.mark.parametrize("arch", ["upper", "lower"])
@pytest.mark.parametrize("seen", [0.8, 0.95, 1.2])
def test_only_short_canines_and_premolars_are_doubtful(arch: str, seen: float) -> None:
    for seed in range(10):
        numbers, read = heights(arch, seen, mixed=False, seed=seed)
        assert not as_short_as_primary(numbers, read, arch).any()
        numbers, read = heights(arch, seen, mixed=True, seed=seed)
        place = numbers % 10
        doubtful = as_short_as_primary(numbers, read, arch)
        assert doubtful.tolist() == ((place >= 3) & (place <= 5)).tolist()


def test_a_margin_that_was_not_seen_says_nothing() -> None:
    numbers, read = heights("upper", 0.95, mixed=True)
    few = {side: np.where(numbers > 13, np.nan, height) for side, height in read.items()}
    assert not as_short_as_primary(numbers, few, "upper").any()


def test_primary_numbers_stay_as_they_are() -> None:
    numbers = np.array([55, 54, 53, 52, 51, 61, 62, 63, 64, 65])
    read = {side: np.full(10, 5.5) for side in ("facial", "lingual")}
    assert not as_short_as_primary(numbers, read, "upper").any()


def test_teeth_as_short_as_primary_ones_are_numbered_so_and_unsure(
    whole: Reading, monkeypatch: pytest.MonkeyPatch
) -> None:
    # ISO 3950: 53 to 55 stand where 13 to 15 come.
    arch, before = whole
    short = (13, 14, 15)
    monkeypatch.setattr(
        analysis, "as_short_as_primary", lambda numbers, *_: np.isin(numbers, short)
    )
    found = analysis.analyse(
        arch.mesh, arch.truth, analyse_topology(arch.mesh, self_intersections=False)
    )
    told = [n + 40 if n in short else n for n in (tooth.number for tooth in before.teeth)]
    assert [tooth.number for tooth in found.teeth] == told
    for one, other in zip(before.teeth, found.teeth, strict=True):
        assert other.number_sure == (one.number_sure and one.number not in short)
        assert other.sextant == one.sextant

"""A tooth that stands out of the row is seen beside it; cusps and brackets are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fixtures.arches import Arch
from geometry.frame import find_frame
from geometry.frame.outside import outside_row
from geometry.frame.unroll import Unrolled
from geometry.inspection.arch_findings import outside_findings
from geometry.inspection.findings import CHECK
from geometry.inspection.place import Placer

S, T = np.arange(-40.0, 40.0, 0.25), np.arange(-16.0, 16.0, 0.3)


def row(*more: tuple[float, float, float, float]) -> Unrolled:
    """A crest with embrasures every 7 mm, and cones (along, across, height, radius) beside it."""
    s, t = np.meshgrid(S, T, indexing="ij")
    height = np.maximum(-1.5 * np.abs(t), -8.0)
    height = np.where(np.abs((s % 7.0) - 3.5) > 3.1, np.minimum(height, -6.0), height)
    for along, across, top, radius in more:
        away = np.hypot(s - along, t - across)
        height = np.where(away < radius, np.maximum(height, top - away), height)
    line = np.stack([S, np.zeros_like(S)], axis=1)
    return Unrolled(S, T, height, line, np.ones(len(S), dtype=np.bool_))


def told(seen: Unrolled, *peaks: tuple[float, float, float]) -> list[int]:
    along, across, height = np.array(peaks).T
    places = np.stack([along, across], axis=1)
    return outside_row(seen, height, places, np.full(len(peaks), 1.5)).tolist()


@pytest.mark.parametrize("across", [6.0, -6.0])
def test_a_tooth_beside_the_row_is_told_once(across: float) -> None:
    seen = row((14.5, across, -1.0, 3.0))
    assert told(seen, (14.5, across, -1.0), (15.5, across, -2.0), (3.5, 0.0, 0.0)) == [0]


def test_a_second_row_of_cusps_and_what_hangs_low_are_not() -> None:
    fissure = row((14.5, 4.5, -0.5, 4.0))
    assert told(fissure, (14.5, 4.5, -0.5)) == []
    assert told(row((14.5, 6.0, -7.5, 3.0)), (14.5, 6.0, -7.5)) == []
    assert told(row((35.0, 6.0, -1.0, 3.0)), (35.0, 6.0, -1.0)) == []


def test_where_the_whole_row_lies_off_its_line_no_tooth_stands_out() -> None:
    seen = row((14.5, 6.0, -1.0, 3.0))
    ahead = np.where(np.abs(seen.t) < 3.0, -7.0, seen.height)
    assert told(replace(seen, height=ahead), (14.5, 6.0, -1.0)) == []


def test_a_wire_before_an_embrasure_is_not() -> None:
    seen = row((14.0, 3.6, -3.2, 1.2))
    assert told(seen, (14.0, 3.6, -3.2)) == []


def test_a_tooth_out_of_the_row_is_told_where_it_stands(arches: dict[str, Arch]) -> None:
    arch = arches["lower"]
    canine = next(tooth for tooth in arch.truth.teeth if tooth.number == 33)
    frame = find_frame(arch.mesh)
    assert len(frame.outside) == 0, "no tooth of this arch stands out of its row"
    tip = np.mean(canine.tips, axis=0) - 5.0 * frame.right
    (found,) = outside_findings(replace(frame, outside=tip[None]), Placer(frame))
    assert found.severity == CHECK
    assert (found.sextant, found.side) == ("07", "facial")
    assert "not counted" in found.message

"""A tooth that stands out of the row is seen beside it; cusps and brackets are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fixtures.arches import Arch
from geometry.dentition import Dentition, analyse
from geometry.frame import find_frame
from geometry.frame.arch.outside import NARROW_MM, outside_row
from geometry.frame.arch.unroll import Unrolled
from geometry.inspection.findings.arch import outside_findings
from geometry.inspection.findings.finding import CHECK
from geometry.inspection.place import Placer
from geometry.topology import analyse as analyse_topology

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
    row = Dentition("lower")
    (found,) = outside_findings(replace(frame, outside=tip[None]), row, Placer(frame))
    assert found.severity == CHECK
    assert (found.sextant, found.side) == ("07", "facial")
    assert "not counted" in found.message


def test_a_tooth_close_before_the_row_is_told_only_where_the_row_lacks_one(
    arches: dict[str, Arch],
) -> None:
    # Between two crowns that meet behind it the valley is one embrasure wide.
    seen = row((14.0, 3.6, -3.2, 1.2))
    peaks = np.array([[14.0, 3.6]]), np.array([-3.2]), np.array([1.5])
    assert outside_row(seen, peaks[1], peaks[0], peaks[2], NARROW_MM).tolist() == [0]
    arch = arches["lower"]
    topology = analyse_topology(arch.mesh)
    frame = find_frame(topology.main)
    teeth = analyse(topology.main, frame, topology)
    at = [tooth.number for tooth in teeth.teeth].index(33)
    tip = teeth.teeth[at].centre + 4.0 * frame.anterior - 3.0 * frame.occlusal
    before = replace(frame, beside=tip[None])
    assert outside_findings(before, teeth, Placer(frame)) == []
    lacking = replace(teeth, teeth=teeth.teeth[:at] + teeth.teeth[at + 1 :])
    (found,) = outside_findings(before, lacking, Placer(frame))
    assert found.code == "out_of_row"
    assert outside_findings(replace(before, outside=tip[None]), lacking, Placer(frame)) == [found]

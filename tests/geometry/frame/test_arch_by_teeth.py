"""Upper or lower, where the teeth say it and their cusps the other."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.arches import ArchSpec, make_arch
from geometry.dentition import analyse as analyse_dentition
from geometry.dentition.row.rolled import lower_over_upper, rolled
from geometry.errors import GeometryError
from geometry.frame import find_frame, find_frame_rolled
from geometry.frame.arch.side import ArchSide
from geometry.topology import analyse

SHALLOW = ArchSpec(triangles=30_000, pose="random", palate=False, wilson=-6.0)


@pytest.mark.parametrize(("arch", "seed"), [("upper", 3), ("lower", 3), ("lower", 4)])
def test_back_teeth_that_lean_the_other_way_do_not_hide_the_arch(arch: str, seed: int) -> None:
    # The curve of Wilson turned over, as hardly any mouth has it: only the widths tell.
    scan = make_arch(replace(SHALLOW, arch=arch), seed)
    frame = find_frame(scan.mesh)
    assert frame.found_arch == arch
    assert frame.right @ scan.truth.right > 0.99


def test_what_the_row_of_teeth_says_is_the_same_from_either_side() -> None:
    scan = make_arch(replace(SHALLOW, arch="lower"), 5)
    told = replace(find_frame(scan.mesh, "lower"))
    other = replace(told, right=-told.right)
    assert lower_over_upper(rolled(scan.mesh, told)) < -10.0
    assert lower_over_upper(rolled(scan.mesh, other)) == pytest.approx(
        lower_over_upper(rolled(scan.mesh, told)), abs=1.5
    )


def test_a_scan_is_rolled_out_once_for_its_arch_and_its_teeth() -> None:
    topology = analyse(make_arch(replace(SHALLOW, arch="upper"), 3).mesh)
    frame, scan = find_frame_rolled(topology.main)
    assert scan is not None
    again = analyse_dentition(topology.main, frame, topology)
    once = analyse_dentition(topology.main, frame, topology, scan=scan)
    assert [tooth.number for tooth in once.teeth] == [tooth.number for tooth in again.teeth]
    assert once.tissue_report() == again.tissue_report()


def test_a_row_that_cannot_be_rolled_out_says_so() -> None:
    scan = make_arch(replace(SHALLOW, arch="lower"), 5)
    frame = find_frame(scan.mesh)
    sunk = replace(frame, origin=frame.origin + 40.0 * frame.occlusal)
    with pytest.raises(GeometryError):
        lower_over_upper(rolled(scan.mesh, sunk))


@pytest.mark.parametrize(
    ("dearer", "named"), [(20.0, "upper"), (-30.0, "lower"), (-5.0, "unknown"), (np.inf, "upper")]
)
def test_teeth_laid_over_the_row_settle_what_is_doubtful(dearer: float, named: str) -> None:
    side = ArchSide("unknown", 0.5, {"cusp_slope": 3.6, "tooth_widths": -3.2}, 1.0)
    assert side.doubtful
    assert side.with_row(dearer).value == named
    # Of a short row all signs together say little.
    assert replace(side, shown=0.1).with_row(dearer).value == "unknown"

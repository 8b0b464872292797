"""Rough and smooth places in words for the person with the scanner."""

from __future__ import annotations

import numpy as np

from geometry.inspection.findings.sampling import sampling_findings
from geometry.inspection.limits import DEFAULT_LIMITS
from geometry.inspection.place import Place
from geometry.sampling import Sampling
from geometry.sampling.measure import Spike
from geometry.sampling.patches import Patch


def by_side(at) -> Place:
    """Upper back teeth right and left, front teeth between."""
    sextant = "04" if abs(at[0]) < 10.0 else "03" if at[0] > 0 else "05"
    return Place(sextant, "facial", f"in sextant {sextant}")


def patch(x: float, noise_mm: float = 0.07, width: float = 6.0, area: float = 60.0) -> Patch:
    points = np.column_stack([np.linspace(x - width / 2, x + width / 2, 50), *np.zeros((2, 50))])
    return Patch(points, area, noise_mm)


def told(*, noise=0.01, spikes=(), rough=(), smooth=(), gum_line=None):
    sampling = Sampling(0.2, noise, tuple(spikes), tuple(rough), tuple(smooth))
    return sampling_findings(sampling, (), by_side, DEFAULT_LIMITS, gum_line)


def test_rough_teeth_on_both_sides_are_told_once():
    (found,) = told(rough=[patch(25.0, area=200.0), patch(-25.0, 0.11)])
    assert (found.code, found.severity) == ("noise", "check")
    assert "upper right back teeth and upper left back teeth, 0.11 mm" in found.message
    assert found.sextant == "05"


def test_a_rough_place_that_reaches_round_a_corner_names_both_parts():
    (found,) = told(rough=[patch(11.0)])
    assert "upper right back teeth and upper front teeth" in found.message
    (found,) = told(rough=[patch(12.8)])
    assert "front teeth" not in found.message


def test_spikes_within_a_rough_place_are_part_of_it():
    spikes = [Spike(np.array([x, 0.0, 0.0]), 0.8) for x in (25.0, 0.0)]
    found = told(rough=[patch(25.0)], spikes=spikes)
    assert [one.code for one in found] == ["noise", "spike"]
    assert "sextant 04" in found[1].message


def test_a_scan_that_is_rough_everywhere_is_told_as_such_alone():
    (found,) = told(noise=0.08, rough=[patch(25.0, 0.3)])
    assert "over the" not in found.message
    assert found.severity == "check"


def test_a_surface_that_is_off_by_what_a_tooth_may_be_off_stops_the_scan():
    (found,) = told(noise=0.26)  # 0.25 mm for one tooth: Biomimetics 2024;9(4):217
    assert (found.code, found.severity) == ("noise", "stop")


def test_a_smooth_place_asks_whether_software_filled_it_unless_deep_in_the_gum():
    (found,) = told(smooth=[patch(25.0, 0.0, area=12.0)])
    assert (found.code, found.severity) == ("filled_hole", "check")
    assert "12 mm², in sextant 03: a hole that software filled?" in found.message
    assert len(told(smooth=[patch(25.0, 0.0)], gum_line=lambda points: -2.0)) == 1
    assert told(smooth=[patch(25.0, 0.0)], gum_line=lambda points: 6.0) == []

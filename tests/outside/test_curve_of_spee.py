"""Curve of Spee against circle geometry and the sphere of Monson.

- Depth is the sagitta of the arc through the cusp tips. For a chord c and a sagitta s the
  radius is R = (c²/4 + s²) / (2 s) (elementary geometry).
- Definition (reference line from the central incisor to the distal cusp tip of the most
  posterior tooth, greatest perpendicular distance of the buccal cusp tips): Marshall et al.,
  "Development of the curve of Spee", Am J Orthod Dentofacial Orthop 2008;134(3):344-352.
- Sphere of 4 inches radius (101.6 mm) through the tips: Monson (from memory).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fixtures.arches import ArchSpec, make_arch
from geometry.frame import Frame, curve_of_spee, find_frame


@pytest.fixture(scope="module")
def template() -> Frame:
    return find_frame(make_arch(ArchSpec(arch="lower", triangles=20_000), 3).mesh, arch="lower")


def on_arc(template: Frame, chord: float, radius: float, arch: str = "lower") -> Frame:
    """A frame whose tips lie on a circular arc in both sagittal planes, front to back."""
    y = -np.linspace(0.0, chord, 41)
    hang = np.sqrt(radius**2 - (y + chord / 2) ** 2) - np.sqrt(radius**2 - chord**2 / 4)
    height = -hang if arch == "lower" else hang
    tips, places = [], []
    for side in (1.0, -1.0):
        x = side * np.linspace(2.0, 25.0, y.size)
        # Only the first tip is a central incisor's.
        along = side * np.concatenate([[2.0], np.linspace(8.0, 52.0, y.size - 1)])
        tips.append(np.stack([x, y, height], axis=1))
        places.append(np.stack([along, np.full(y.size, 2.0)], axis=1))
    local = np.concatenate(tips)
    rows = np.stack([template.right, template.anterior, template.occlusal])
    return dataclasses.replace(
        template,
        arch=arch,
        tips=local @ rows + template.origin,
        tip_places=np.concatenate(places),
        tip_on_edge=np.zeros(local.shape[0], dtype=bool),
    )


@pytest.mark.parametrize(
    ("chord", "sagitta", "radius"),
    [(40.0, 2.0, 101.0), (40.0, 1.5, 134.0833), (45.0, 2.5, 102.5)],
)
def test_depth_is_the_sagitta(template, chord, sagitta, radius):
    assert radius == pytest.approx((chord**2 / 4 + sagitta**2) / (2 * sagitta), abs=1e-3)
    found = curve_of_spee(on_arc(template, chord, radius))
    assert found.left_mm == pytest.approx(sagitta, abs=0.01)
    assert found.right_mm == pytest.approx(sagitta, abs=0.01)
    assert found.left_concave


def test_upper_arch_on_the_same_arc_is_as_deep_the_other_way(template):
    found = curve_of_spee(on_arc(template, 40.0, 101.0, "upper"))
    assert found.right_mm == pytest.approx(2.0, abs=0.01)
    assert found.right_concave is False


def test_four_inch_sphere(template):
    radius = 4 * 25.4
    expected = radius - np.sqrt(radius**2 - 20.0**2)
    assert expected == pytest.approx(1.988, abs=1e-3)
    assert curve_of_spee(on_arc(template, 40.0, radius)).left_mm == pytest.approx(
        expected, abs=0.01
    )


def test_a_high_lateral_incisor_does_not_begin_the_line_of_a_lower_arch(template):
    arc = on_arc(template, 40.0, 101.0)
    rows = np.stack([template.right, template.anterior, template.occlusal])
    corner = np.array([[6.0, -0.5, 1.0]]) @ rows + template.origin
    high = dataclasses.replace(
        arc,
        tips=np.concatenate([arc.tips, corner]),
        tip_places=np.concatenate([arc.tip_places, [[6.2, 0.0]]]),
        tip_on_edge=np.append(arc.tip_on_edge, False),
    )
    assert curve_of_spee(high).right_mm == pytest.approx(2.0, abs=0.01)


def test_tilting_the_plane_does_not_change_the_depth(template):
    flat = on_arc(template, 40.0, 101.0)
    turn = np.radians(4.0)
    tilted = dataclasses.replace(
        flat,
        anterior=np.cos(turn) * flat.anterior + np.sin(turn) * flat.occlusal,
        occlusal=np.cos(turn) * flat.occlusal - np.sin(turn) * flat.anterior,
    )
    assert curve_of_spee(tilted).left_mm == pytest.approx(2.0, abs=0.01)


def test_a_marginal_ridge_is_no_buccal_cusp(template):
    # Lower than the cusps on either side of it, and 1.3 mm nearer to the tongue.
    frame = on_arc(template, 40.0, 101.0)
    between = 20
    along, across = frame.tip_places[between : between + 2].mean(axis=0)
    middle = frame.tips[between : between + 2].mean(axis=0)
    ridged = dataclasses.replace(
        frame,
        tips=np.vstack([frame.tips, middle - 1.0 * frame.occlusal]),
        tip_places=np.vstack([frame.tip_places, [along, across - 1.3]]),
        tip_on_edge=np.append(frame.tip_on_edge, False),
    )
    assert curve_of_spee(ridged).right_mm == pytest.approx(2.0, abs=0.02)
    # As low, but in line with the cusps: a cusp.
    in_line = dataclasses.replace(ridged, tip_places=np.vstack([frame.tip_places, [along, across]]))
    assert curve_of_spee(in_line).right_mm == pytest.approx(3.0, abs=0.05)

"""How far a model is trimmed: tissue kept, doubt of the margin, and what is told of too little."""

from types import SimpleNamespace

import numpy as np
import pytest

from geometry.model.bodies.cubes import zero_surface
from geometry.model.trimming import (
    Trim,
    choose_trim,
    little_tissue,
    margin_doubts,
    margin_heights,
    tissue_kept,
)
from tests.geometry.model.test_pieces import ball_field


def test_little_tissue_is_told_with_what_helps():
    margin = np.array([6.0, 4.0])
    for border, z, words in (
        ([0.0, 0.0], 2.0, "lower trim"),
        ([0.0, 3.5], 1.0, "scan ends"),
        ([-2.0, 1.0], 0.0, "scan ends"),
        ([-2.0, -2.0], 0.0, "greater height"),
    ):
        trim = Trim(z, tissue_kept(margin, np.array(border), z))
        names = ["at 36, facial side", "at 37, lingual side"]
        told = little_tissue(margin, np.array(border), trim, 5.0, names)
        assert len(told) == 1
        assert words in told[0]
        assert names[1] in told[0]
        assert not little_tissue(margin, np.array(border), trim, 0.4, names)


def test_a_cut_through_crowns_is_told_as_one():
    margin, names = np.array([6.0, 4.0]), ["at 36, facial side", "at 37, lingual side"]
    for z, words in (7.5, "lower trim"), (0.0, "greater height"):
        heights = margin - 4.0 if z else margin - 7.5
        kept = tissue_kept(heights, np.array([-9.0, -9.0]), z)
        told = little_tissue(heights, np.array([-9.0, -9.0]), Trim(z, kept), 3.0, names)
        assert len(told) == 1
        assert all(part in told[0] for part in (f"{-kept:.1f} mm", "crown", names[1], words))


def test_tissue_beside_the_end_of_a_cut_off_scan_counts():
    # Three teeth in a row along x; the scan ends at x = 21, across the last of them.
    def side(x, captured):
        return SimpleNamespace(at=np.array([x, 0.0, 6.0]), captured_mm=captured)

    def tooth(x, *captured):
        facial, lingual = (side(x, mm) for mm in captured)
        return SimpleNamespace(side=lambda name: facial if name == "facial" else lingual)

    teeth = [tooth(0.0, 5.0, 5.0), tooth(10.0, 0.5, 5.0), tooth(20.0, 0.0, 5.0)]
    x, z = (axis.ravel() for axis in np.mgrid[-2:18.6:0.5, 0:8:0.5])
    scan = np.column_stack((x, np.zeros(len(x)), z))
    margin, border = margin_heights(SimpleNamespace(teeth=teeth), np.eye(4), scan)
    kept = (margin - border).reshape(3, 2)
    assert kept[2].min() >= 5.0
    # Within the row what was measured stands.
    assert kept[1, 0] == pytest.approx(0.5)


def test_an_automatic_trim_keeps_the_tissue_wherever_the_margin_may_lie():
    v, f = zero_surface(ball_field(15.0))
    v[:, 2] -= v[:, 2].min()  # all of its lower half is undercut
    margin = np.array([14.0, 12.0])
    for doubt in ([0.4, 0.4], [0.4, 2.5], [5.0, 0.4]):
        trim = choose_trim(v, f, 30.0, margin, margin - 9.0, np.array(doubt), 3.0, 0.25)
        assert trim.z == pytest.approx((margin - doubt).min() - 3.0, abs=0.5)
        assert trim.z <= (margin - doubt).min() - 3.0


def test_margins_that_are_hard_to_read_are_doubted_more():
    def place(low, seen=True):
        return SimpleNamespace(captured_mm=8.0, low_mm=low, margin_seen=seen)

    teeth = [(36, place(7.5), place(7.5)), (31, place(7.5), place(7.5)),
             (46, place(5.0), place(7.5, seen=False))]  # fmt: skip
    crowns = [
        SimpleNamespace(number=n, side={"facial": a, "lingual": b}.__getitem__) for n, a, b in teeth
    ]
    sure, other, _, front_lingual, wide, unseen = margin_doubts(SimpleNamespace(teeth=crowns))
    assert sure == other < min(front_lingual, wide, unseen)

"""Gum that a model lacks is judged by how near the gum line it was, where an appliance ends."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from geometry.errors import GeometryError
from geometry.model.base.borders import BORDER
from geometry.model.base.closing import LOOSE
from geometry.model.changes import _Beside, far_off
from geometry.model.gumline import GumLine
from geometry.model.surface.mending import Spot

# A straight gum line of 40 mm, 4 mm over the trim; the gum hangs under it.
ALONG = np.linspace(0.0, 40.0, 81)
MARGIN = np.column_stack((ALONG, np.zeros(81), np.full(81, 9.0)))


class Tooth:
    def __init__(self, margin):
        self.margin = margin

    def side(self, name):
        return SimpleNamespace(margin=self.margin if name == "facial" else np.empty((0, 3)))


class Named:
    def name(self, at) -> str:
        return f"at {at[0]:.0f}"


def beside(first: float, last: float, below: float, off: float, depth: float = 0.0):
    """What lacks from ``first`` to ``last`` along the line, ``below`` it."""
    x = np.arange(first, last, 0.2)
    points = np.column_stack((x, np.zeros(len(x)), np.full(len(x), 9.0 - below)))
    shadow = SimpleNamespace(depth_at=lambda p: np.full(len(p), depth))
    line = GumLine(SimpleNamespace(teeth=(Tooth(MARGIN[:40]), Tooth(MARGIN[40:]))), np.eye(4))
    away = np.full(len(x), off)
    return _Beside.of(points, away, 0.0 * away, SimpleNamespace(shadow=shadow), [], line), line


def test_lost_gum_that_an_appliance_ends_on_is_refused_with_its_place_and_a_remedy() -> None:
    lost, line = beside(10.0, 20.0, 1.0, 2.4)
    with pytest.raises(
        GeometryError, match=r"at 10: .* 2\.4 mm of gum along 10 mm of the gum line.*; rescan"
    ):
        lost.refuse(line, Named())


@pytest.mark.parametrize(
    ("last", "below", "off", "depth"),
    [
        (20.0, 4.0, 2.4, 0.0),  # farther below than an appliance reaches
        (13.0, 1.0, 2.4, 0.0),  # too short
        (20.0, 1.0, 1.2, 0.0),  # too little
        (20.0, 1.0, 2.4, 0.6),  # an undercut that no sheet reaches
    ],
)
def test_other_losses_are_told_only(last, below, off, depth) -> None:
    lost, line = beside(10.0, last, below, off, depth)
    lost.refuse(line, Named())


def test_a_model_without_known_teeth_has_no_gum_line() -> None:
    line = GumLine(None, np.eye(4))
    assert np.isinf(line.away(MARGIN)).all()
    assert line.stretch(MARGIN) == 0.0


def test_distances_and_lengths_are_those_of_the_line_in_model_axes() -> None:
    move = np.eye(4)
    move[:3, 3] = (5.0, -2.0, 1.0)
    line = GumLine(SimpleNamespace(teeth=(Tooth(MARGIN),)), move)
    points = MARGIN + move[:3, 3] + (0.0, 0.3, -0.4)
    assert line.away(points) == pytest.approx(0.5)
    assert line.stretch(points) == pytest.approx(40.0)
    assert line.stretch(points[20:40]) == pytest.approx(10.0)


def told(below: float) -> list[str]:
    lost, _ = beside(10.0, 13.0, below, 2.4)
    spot = Spot(BORDER, np.array([11.5, 0.0, 9.0 - below]), 3.0)
    place = {"what": BORDER, "deviation_mm": 2.4, "name": "at 36, lingual side"}
    place |= {"crown_lost_mm": lost.off_crown(spot), **lost.at(spot)}
    return far_off([place], 2.0)


def test_what_is_told_says_whether_an_appliance_reaches_it() -> None:
    off, missing = told(1.0)
    assert "2.4 mm off the scan at 36, lingual side" in off
    assert "up to 2.4 mm of gum is missing within 3 mm of the gum line at 36" in missing
    (off,) = told(4.0)
    assert "from 4.0 mm beside the gum line on" in off


@pytest.mark.parametrize(("trim", "words"), [(2.0, "a lower cut"), (0.0, "a taller model")])
def test_what_hangs_on_below_the_cut_only_is_told_with_what_keeps_it(trim, words):
    place = {
        "what": LOOSE,
        "at": [0.0, 0.0, 0.0],
        "size_mm": 6.0,
        "deviation_mm": 6.6,
        "name": "at 16, lingual side",
        "crown_lost_mm": 0.0,
        "gum_line_mm": 11.4,
        "edge_lost_mm": 0.0,
    }
    (line,) = far_off([place], trim)
    assert f"{words} keeps it" in line

"""A model that would lack part of a crown is refused, whatever was mended there."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.changes import _refuse_lost_crowns

TOP_MM = 15.0
SOLID = Mesh(
    np.array([[0.0, 0.0, 0.0], [50.0, 0.0, 0.0], [0.0, 50.0, 0.0], [0.0, 0.0, TOP_MM]]),
    np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32),
)


class Named:
    def name(self, at) -> str:
        return f"at {at[0]:.0f}"


def judge(height_mm: float, off_mm: float) -> None:
    points = np.array([[7.0, 0.0, TOP_MM], [47.0, 0.0, height_mm]])
    _refuse_lost_crowns(points, np.array([0.0, off_mm]), SOLID, Named())


def test_a_crown_that_a_mend_takes_away_is_refused_with_its_place() -> None:
    with pytest.raises(GeometryError, match=r"rough or torn at 47 .* 5\.2 mm off a crown; rescan"):
        judge(TOP_MM - 2.0, 5.2)


@pytest.mark.parametrize(("height_mm", "off_mm"), [(TOP_MM - 2.0, 1.8), (TOP_MM - 8.0, 5.2)])
def test_what_is_little_or_lies_below_the_crowns_is_told_only(height_mm, off_mm) -> None:
    judge(height_mm, off_mm)


def test_a_scan_that_is_printed_as_it_is_has_nothing_to_refuse() -> None:
    _refuse_lost_crowns(np.empty((0, 3)), np.empty(0), SOLID, Named())

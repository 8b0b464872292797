"""A model that would lack part of a crown is refused, whatever was mended there."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition import analyse as analyse_dentition
from geometry.errors import GeometryError
from geometry.frame import find_frame
from geometry.mesh import Mesh
from geometry.model.changes import NOTHING_BESIDE, _crowns, _refuse_lost_crowns, far_off
from geometry.model.pose import incisal_height
from geometry.model.undercuts.regions import Places
from geometry.topology import analyse
from tests.geometry.model.conftest import arch, model

TOP_MM = 15.0
SOLID = Mesh(
    np.array([[0.0, 0.0, 0.0], [50.0, 0.0, 0.0], [0.0, 50.0, 0.0], [0.0, 0.0, TOP_MM]]),
    np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32),
)


class Named:
    def name(self, at) -> str:
        return f"at {at[0]:.0f}"

    def at_teeth(self, points):
        return np.ones(len(points), dtype=bool)


def judge(height_mm: float, off_mm: float) -> None:
    points = np.array([[7.0, 0.0, TOP_MM], [47.0, 0.0, height_mm]])
    crowns = _crowns(points, SOLID, Named())
    _refuse_lost_crowns(points, np.where(crowns, (0.0, off_mm), 0.0), Named())


def test_a_crown_that_a_mend_takes_away_is_refused_with_its_place() -> None:
    with pytest.raises(GeometryError, match=r"rough or torn at 47 .* 5\.2 mm off a crown; rescan"):
        judge(TOP_MM - 2.0, 5.2)


@pytest.mark.parametrize(("height_mm", "off_mm"), [(TOP_MM - 2.0, 1.8), (TOP_MM - 8.0, 5.2)])
def test_what_is_little_or_lies_below_the_crowns_is_told_only(height_mm, off_mm) -> None:
    judge(height_mm, off_mm)


def test_a_scan_that_is_printed_as_it_is_has_nothing_to_refuse() -> None:
    _refuse_lost_crowns(np.empty((0, 3)), np.empty(0), Named())


def test_a_cheek_beside_the_teeth_is_no_crown() -> None:
    made = model("upper")
    scan = arch("upper")
    frame = find_frame(scan.mesh, "upper")
    dentition = analyse_dentition(scan.mesh, frame, analyse(scan.mesh))
    places = Places(frame, dentition, made.transform)
    tips = np.array([tooth.centre for tooth in dentition.teeth])
    tips = tips @ made.transform[:3, :3].T + made.transform[:3, 3]
    outwards = np.sign(tips[0, 0]) * np.array([1.0, 0.0, 0.0])
    assert places.at_teeth(tips).all()
    assert not places.at_teeth(tips + [0.0, 0.0, 6.0]).any()
    assert not places.at_teeth(tips[:1] + 14.0 * outwards).any()


def test_a_cheek_that_stands_higher_than_the_incisors_does_not_sink_them() -> None:
    flat = np.array([[x, y, 0.0] for x in range(-20, 21) for y in range(0, 21)], dtype=float)
    flat[(np.abs(flat[:, 0]) < 6) & (flat[:, 1] < 4), 2] = 10.0
    cheek = np.array([[4.0 + k, 2.0, 18.0] for k in range(12)])
    points = np.vstack((flat, cheek))
    faces = np.array([[k, k + 1, k + 2] for k in range(len(points) - 2)], dtype=np.int32)
    teeth = {11: np.array([4.0, 2.0, 9.5]), 21: np.array([-4.0, 2.0, 9.5])}
    assert incisal_height(points, faces, teeth) == 10.0


@pytest.mark.parametrize(("what", "off_mm", "told"), [("border", 1.45, 1), ("border", 0.3, 0)])
def test_a_crown_that_a_scan_ends_on_is_named_where_the_model_is_off_it(what, off_mm, told) -> None:
    place = {"what": what, "size_mm": 8.0, "deviation_mm": off_mm, "name": "at 21"}
    gum = {**place, "name": "at 22", "crown_lost_mm": 0.0, **NOTHING_BESIDE}
    crown = {**place, "crown_lost_mm": off_mm, **NOTHING_BESIDE}
    lines = far_off([gum, crown, crown], 2.0)
    assert len(lines) == told
    for line in lines:
        assert line.count("at 21") == 1
        assert "at 22" not in line
        assert "rescan past it" in line

"""Block-out under what stands out of a crown: attachments keep their ledge, and are told.

Attachments of composite are 1 to 1.25 mm thick, brackets near 2 mm (common practice, no
source); plastic must grip under the one and cannot be taken off over the other.
"""

from functools import cache

import numpy as np
import pytest
from scipy.spatial import cKDTree

from geometry.mesh import Mesh
from geometry.model import ModelSettings, PreparedModel, prepare
from geometry.model.undercuts.ledges import Ledge, under_ledges
from tests.geometry.model.conftest import SPECS, arch, model

ATTACHMENT, BRACKET = (24, 1.0), (15, 2.2)
HALF_WIDTH, BOTTOM, HIGH = 1.5, 3.0, 2.0


def beside(number: int, points):
    """Place (along the row, out, above the margin) of points at a tooth of the upper arch."""
    truth = arch("upper").truth
    tooth = next(tooth for tooth in truth.teeth if tooth.number == number)
    out = tooth.facial - (tooth.facial @ truth.occlusal) * truth.occlusal
    out /= np.linalg.norm(out)
    margin = tooth.margin_mid["facial"]
    axes = np.column_stack((np.cross(truth.occlusal, out), out, truth.occlusal))
    return (points - margin) @ axes, out


def with_parts(*parts: tuple[int, float], half: float = HALF_WIDTH):
    """The upper arch with a box bonded to teeth: straight down in plan, square to the gum."""
    scan = arch("upper").mesh
    points = scan.vertices.copy()
    for number, thick in parts or (ATTACHMENT, BRACKET):
        place, out = beside(number, scan.vertices)
        inside = (np.abs(place[:, 0]) < half) & (place[:, 1] > -2.0)
        inside &= (place[:, 2] > BOTTOM) & (place[:, 2] < BOTTOM + HIGH)
        points[inside] += thick * out
    return Mesh(points, scan.faces)


@cache
def made(block_out: float | None = 0.25) -> PreparedModel:
    return prepare(with_parts(), ModelSettings(block_out=block_out))


def kept_under(number: int, scan, solid: PreparedModel):
    """Whether each vertex of the crown under a tooth's box is a vertex of the model."""
    place, _ = beside(number, scan.vertices)
    under = (np.abs(place[:, 0]) < HALF_WIDTH - 0.5) & (place[:, 1] > -2.0)
    under &= (place[:, 2] > 0.7) & (place[:, 2] < BOTTOM - 0.4)
    points = scan.vertices[under] @ solid.transform[:3, :3].T + solid.transform[:3, 3]
    assert len(points) > 10
    return cKDTree(solid.solid.vertices).query(points)[0] < 0.005


def test_the_crown_under_an_attachment_is_not_buried():
    number = ATTACHMENT[0]
    without = kept_under(number, arch("upper").mesh, model("upper"))
    assert kept_under(number, with_parts(), made()).mean() >= without.mean() - 0.02
    assert without.mean() > 0.9


def test_under_what_plastic_cannot_come_off_over_it_is_filled_and_named():
    number = BRACKET[0]
    assert kept_under(number, with_parts(), made()).mean() < 0.5
    named = [r for r in made().report["block_out"]["regions"] if r["kind"] == "part"]
    assert [region["sextant"] for region in named] == ["03"]
    assert "standing out of the crown" in named[0]["words"]
    assert "second premolar, cheek side" in named[0]["words"]


def test_parts_are_told_with_tooth_and_side_and_what_becomes_of_them():
    parts = made().report["block_out"]["parts"]
    assert {(part["name"], part["grips"]) for part in parts} == {
        ("at 24, facial side", True),
        ("at 15, facial side", False),
    }
    by_name = {part["name"]: part for part in parts}
    for number, thick in (ATTACHMENT, BRACKET):
        assert by_name[f"at {number}, facial side"]["depth_mm"] == pytest.approx(thick, abs=0.4)
    told = [warning for warning in made().report["warnings"] if "stands out" in warning]
    assert len(told) == 2
    assert "at 24, facial side" in told[0]
    assert "not filled" in told[0]
    assert "at 15, facial side" in told[1]
    assert not set(told) & set(made().report["remarks"])


def test_what_bulges_along_a_whole_crown_is_its_neck_and_no_part():
    """A first premolar is some 7 mm wide; primary crowns bulge all along like this."""
    report = prepare(with_parts(ATTACHMENT, half=3.0), ModelSettings()).report
    assert report["block_out"]["parts"] == []
    assert report["block_out"]["spared_mm3"] == 0.0


def bulging(low: float, profile: list[tuple[float, float]]):
    """The upper arch with 24 coming out (height, out) mm from ``low`` mm above its margin on."""
    scan = arch("upper").mesh
    place, out = beside(ATTACHMENT[0], scan.vertices)
    on = (np.abs(place[:, 0]) < HALF_WIDTH) & (place[:, 1] > -2.0)
    on &= (place[:, 2] > low) & (place[:, 2] < low + HIGH)
    more = np.interp(place[:, 2] - low, *zip(*profile, strict=True))
    return Mesh(scan.vertices + np.where(on, more, 0.0)[:, None] * out, scan.faces)


ROUNDED = [(0.0, 0.0), (0.4, 0.6), (2.0, 1.0)]
SQUARE, THIN = [(0.0, 0.8), (2.0, 0.8)], [(0.0, 0.53), (2.0, 0.53)]


@pytest.mark.parametrize(
    ("low", "profile", "told"), [(0.5, ROUNDED, 0), (0.5, SQUARE, 1), (3.0, THIN, 1)]
)
def test_what_bulges_round_over_the_gum_line_is_the_crown_itself(low, profile, told):
    report = prepare(bulging(low, profile), ModelSettings()).report
    assert len(report["block_out"]["parts"]) == told
    if not told:
        assert report["block_out"]["spared_mm3"] == 0.0


def test_what_is_spared_is_told_and_counts_nowhere_else():
    fill, plain = made().report["block_out"], model("upper").report["block_out"]
    under = sum(r["volume_mm3"] for r in fill["regions"] if r["kind"] == "part")
    assert fill["spared_mm3"] > 2.0
    # The boxes' own undercut is 20 mm³ and more; where a box meets its crown a little goes astray.
    assert fill["undercut_before_mm3"] - under == pytest.approx(
        plain["undercut_before_mm3"], abs=2.0
    )
    assert fill["undercut_after_mm3"] <= 0.03 * fill["undercut_before_mm3"]
    assert plain["spared_mm3"] == 0.0


def test_without_fill_the_list_for_the_bench_leaves_the_attachment_out():
    report = made(None).report
    at_24 = [
        r for r in report["block_out"]["regions"] if "left first premolar, cheek" in r["words"]
    ]
    plain = model("upper", block_out=None).report["block_out"]["regions"]
    plain = [r for r in plain if "left first premolar, cheek" in r["words"]]
    assert sum(r["volume_mm3"] for r in at_24) <= sum(r["volume_mm3"] for r in plain) + 0.5
    assert any("do not fill" in warning for warning in report["warnings"])


@pytest.mark.parametrize("name", sorted(SPECS))
def test_a_mouth_without_bonded_parts_has_none(name):
    assert not model(name).report["block_out"]["parts"]


def test_a_ledge_covers_what_lies_under_it_down_to_the_base():
    line = np.linspace(-1.0, 1.0, 5)
    ledge = Ledge(
        np.zeros(2), np.array([1.0, 0.0]), np.array([0.0, 1.0]), line,
        np.full(5, 4.0), np.full(5, 5.0), np.full(5, 8.0), 1.0, 1.0,
    )  # fmt: skip
    points = np.array(
        [
            [0.0, 4.5, 7.5],  # under it
            [0.0, 4.5, 0.0],  # on the base
            [0.0, 4.5, 9.0],  # in what stands out
            [0.0, 3.5, 7.5],  # in the crown
            [2.0, 4.5, 7.5],  # beside it
        ]
    )
    assert under_ledges([ledge], points).tolist() == [True, True, False, False, False]
    assert ledge.at.tolist() == [0.0, 5.0, 8.0]

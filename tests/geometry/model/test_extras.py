"""Code on the base, bar, cavity, and the forming estimate."""

import numpy as np
import pytest
import shapely
from manifold3d import CrossSection, Manifold, OpType

from geometry.model import ModelSettings
from geometry.model.additions.extras import add_extras
from geometry.model.additions.hollow import hollow_out
from geometry.model.additions.identity import DEPTH
from geometry.model.additions.lettering import code_squares, letters, line_width
from geometry.model.bodies.solids import as_written
from geometry.model.surface.halfedges import genus
from geometry.topology.intersections import find_intersections
from tests.geometry.model.conftest import model


def test_a_code_stands_on_back_and_heel_and_under_the_base():
    made = model("upper", text="K7M2-P")
    places = made.report["identity"]["places"]
    faces = {place["face"] for place in places}
    assert {"back", "heel"} <= faces
    assert all(place["size_mm"] >= 1.8 for place in places)
    assert find_intersections(made.solid)[0] == 0


def test_letters_in_the_base_are_no_undercut():
    plain, lettered = model("upper").report, model("upper", text="K7M2-P").report
    assert lettered["block_out"] == plain["block_out"]


def test_raised_letters_add_material():
    raised = model("upper", text="K7M2-P", lettering="raised").report["volume_ml"]
    assert raised > model("upper", text="K7M2-P").report["volume_ml"]


def test_a_bar_joins_the_ends():
    made = model("upper", bar=True)
    solid = made.solid
    assert made.report["bar"]
    middle = solid.vertices[np.abs(solid.vertices[:, 0]) < 25.0]
    assert (middle[:, 1] > 0.6 * solid.vertices[:, 1].max()).any() or len(solid.faces)
    edges = 3 * len(solid.faces) // 2
    assert len(solid.vertices) - edges + len(solid.faces) == 0  # a ring: genus 1
    assert not any("horseshoe" in warning for warning in made.report["warnings"])


@pytest.mark.parametrize(
    "added", [{"bar": True}, {"bar": True, "block_out": 0.0}, {"text": "K7M2-P"}]
)
def test_what_bar_and_pads_hide_of_the_scan_is_named(added):
    made = model("upper", **added)
    assert made.report["surface_deviation_mm"]["max"] <= 0.005
    hidden = {place["what"] for place in made.report["mended"]}
    assert "other" not in hidden
    assert ("bar" in hidden) == bool(added.get("bar"))


def hooked(over):
    """A block of 30 x 20 x 12 mm; behind, its top hangs over and down by so much, mm."""
    body = Manifold.cube((30.0, 20.0, 12.0))
    roof = Manifold.cube((30.0, 3.0, 2.0)).translate((0.0, 20.0, 10.0))
    hook = Manifold.cube((30.0, 2.2, over)).translate((0.0, 20.8, 10.0 - over))
    mesh = Manifold.batch_boolean([body, roof, hook], OpType.Add).to_mesh64()
    return as_written(mesh.vert_properties[:, :3].copy(), mesh.tri_verts.astype(np.int32))


@pytest.mark.parametrize(("over", "written"), [(1.0, True), (6.0, False)])
def test_no_pad_closes_a_loop_with_what_hangs_over_it(over, written):
    remarks = []
    settings = ModelSettings(text="K7M2-P")
    _, faces, record, covers = add_extras(*hooked(over), settings, [], remarks)
    assert genus(faces) == 0
    back = [place for place in record["identity"]["places"] if place["face"] == "back"]
    assert bool(back) == bool(covers) == written
    assert any("fit the back" in remark for remark in remarks) != written
    assert any(place["kind"] == "code" for place in record["identity"]["places"])


def test_a_low_base_is_told_to_be_higher_for_a_code():
    low = Manifold.cube((30.0, 20.0, 1.3)).to_mesh64()
    solid = as_written(low.vert_properties[:, :3].copy(), low.tri_verts.astype(np.int32))
    warnings = []
    _, _, record, _ = add_extras(*solid, ModelSettings(text="K7M2-P"), warnings, [])
    assert not record["identity"]["places"]
    assert len(warnings) == 2
    assert all("greater height" in warning for warning in warnings)


def test_a_plain_horseshoe_is_warned_about():
    plain = model("upper").report
    told = [warning for warning in plain["warnings"] if "horseshoe" in warning]
    assert told
    assert told[0] in plain["remarks"]  # good to know; nothing to decide on


def test_a_hollow_model_keeps_its_wall_and_drains():
    made = model("upper", hollow=2.0)
    record = made.report["hollow"]
    full = model("upper").report["volume_ml"]
    assert made.report["volume_ml"] < full
    assert record["saved_mm3"] > 500.0
    assert len(record["drains"]) >= 2
    # No vertex of the cavity comes closer to the outside than the wall.
    outside = model("upper").solid
    from scipy.spatial import cKDTree

    known = cKDTree(outside.vertices)
    z = made.solid.vertices
    gap = known.query(z)[0]
    x, y = np.asarray(record["drains"]).T
    drain = np.min(np.hypot(z[:, 0, None] - x, z[:, 1, None] - y), axis=1) < 1.7
    inner = z[(gap > 0.3) & ~drain & (z[:, 2] > 2.3)]
    assert len(inner) > 100
    assert known.query(inner)[0].min() > 1.9


def test_a_code_in_the_floor_of_a_hollow_model_keeps_floor_and_drains_clear():
    block = Manifold.cube((40.0, 24.0, 12.0)).to_mesh64()
    vertices, faces = as_written(
        block.vert_properties[:, :3].copy(), block.tri_verts.astype(np.int32)
    )
    wall = 1.5
    square = shapely.box(14.0, 6.0, 26.0, 18.0)
    cavity = hollow_out(vertices, faces, wall, square)
    plain = hollow_out(vertices, faces, wall, shapely.Polygon())
    assert cavity.volume < plain.volume
    for x, y in cavity.drains:
        assert square.distance(shapely.Point(x, y)) > 1.5  # a drain is 3 mm wide
    probe = Manifold.extrude(CrossSection([np.array(square.exterior.coords)[:-1]]), wall + DEPTH)
    assert (cavity.body ^ probe).volume() == pytest.approx(0.0, abs=1e-3)
    assert (plain.body ^ probe).volume() > 50.0


@pytest.mark.parametrize("width", [5.8, 6.6, 9.0])
def test_drains_take_no_more_of_the_walls_than_the_cavity(width):
    block = Manifold.cube((40.0, width, 12.0)).to_mesh64()
    vertices, faces = as_written(
        block.vert_properties[:, :3].copy(), block.tri_verts.astype(np.int32)
    )
    cavity = hollow_out(vertices, faces, 1.5, shapely.Polygon())
    points = np.asarray(cavity.body.to_mesh64().vert_properties)[:, :3]
    inner = points[points[:, 2] > 0.0]
    assert inner[:, 1].min() >= 1.5 - 0.01
    assert inner[:, 1].max() <= width - 1.5 + 0.01


def test_letters_are_as_wide_as_said_and_thick_enough_to_print():
    shape = letters(["AB8-9"], 3.0)
    low_x, low_y, high_x, high_y = shape.bounds
    assert high_x - low_x == pytest.approx(line_width("AB8-9", 3.0), abs=0.25)
    assert high_y - low_y == pytest.approx(3.0, abs=0.25)
    # A stroke survives an erosion by almost half its width: nothing is thinner.
    assert shape.buffer(-0.19).area > 0


def test_every_letter_has_a_shape_of_its_own():
    drawn = {c: letters([c], 3.0) for c in "ABCDEFGHIJKLMNPQRSTUVWXYZ0123456789-+./"}
    for a, one in drawn.items():
        for b, other in drawn.items():
            if a < b:
                assert one.symmetric_difference(other).area > 0.3, (a, b)


def test_code_squares_do_not_touch_in_corners():
    shape, modules, name = code_squares("K7M2-P", 0.6)
    assert name.startswith("Micro QR")
    assert modules in (11, 13, 15, 17)
    assert isinstance(shape, shapely.MultiPolygon)
    assert shape.is_valid


def test_the_forming_estimate_is_within_published_bounds():
    forming = model("lower").report["forming"]
    share = forming["thickness_mm"]["mean"] / forming["sheet_mm"]
    assert 0.5 <= share <= 0.9
    assert 0.15 <= forming["thickness_mm"]["min"] / forming["sheet_mm"] <= 1.05
    assert set(forming["thickness_mm"]["by_sextant"]) == {"06", "07", "08"}
    assert forming["spread_after"] is not None

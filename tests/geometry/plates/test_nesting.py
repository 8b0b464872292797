"""Models stand on the plate, keep their gap, and interlock."""

import io

import numpy as np
import pytest
import shapely
import trimesh
from PIL import Image
from shapely import affinity
from shapely.affinity import translate

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.plates import Item, Placement, arrange, draw, footprint, move_apart, nest
from geometry.plates.picture import label_spots
from tests.geometry.plates.bodies import box, extruded, horseshoe, raster_greedy


def measured(layout):
    """Footprints on the plate, found from the solids by another library."""
    out = []
    for p in layout.placements:
        solid = layout.items[p["index"]].solid
        body = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
        shadow = trimesh.path.polygons.projected(body, normal=[0, 0, 1])
        turned = affinity.rotate(shadow, p["turn_deg"], origin=(0, 0))
        out.append(affinity.translate(turned, p["x"], p["y"]))
    return out


def keeps(layout):
    shapes = measured(layout)
    width, depth = layout.plate
    plate = shapely.box(-1e-6, -1e-6, width + 1e-6, depth + 1e-6)
    apart = [a.distance(b) for k, a in enumerate(shapes) for b in shapes[:k]]
    return all(plate.covers(s) for s in shapes) and min(apart, default=99) >= layout.gap - 1e-6


def unlike(count, seed):
    rng = np.random.default_rng(seed)
    return [
        Item(
            f"M{k}",
            extruded(horseshoe(rng.uniform(55, 72), rng.uniform(45, 58), rng.uniform(900, 1500))),
        )
        for k in range(count)
    ]


@pytest.fixture(scope="module")
def horseshoes():
    solid = extruded(horseshoe())
    return nest([Item(f"H{k}", solid) for k in range(12)], (192, 120), 2.0)


def test_eight_horseshoes_share_a_plate(horseshoes):
    assert len(horseshoes.placements) >= 8
    assert keeps(horseshoes)


@pytest.mark.parametrize("form", [(70, 55), (74, 50)])
def test_wide_and_deep_ones_too(form):
    solid = extruded(horseshoe(*form))
    layout = nest([Item(f"H{k}", solid) for k in range(8)], (192, 120), 2.0)
    assert len(layout.placements) == 8
    assert keeps(layout)


def test_more_than_a_greedy_raster_places(horseshoes):
    greedy = raster_greedy([horseshoe()] * 12, (192, 120), 2.0)
    assert len(horseshoes.placements) > greedy


@pytest.mark.parametrize("seed", range(3))
def test_unlike_models_keep_gap_and_edge(seed):
    layout = nest(unlike(6, seed), (192, 120), 2.0, seed=seed)
    assert len(layout.placements) == 6
    assert layout.conflicts() == []
    assert keeps(layout)


def test_gap_is_what_was_asked_for():
    layout = nest(unlike(3, 8), (200, 120), 7.5)
    assert len(layout.placements) == 3
    assert keeps(layout)
    assert layout.report["least_gap_mm"] >= 7.5


def test_same_input_same_layout():
    items = unlike(8, 4)  # more than stand in rows
    first, second = nest(items, (192, 120)), nest(items, (192, 120))
    assert first.placements == second.placements
    assert first.threemf() == second.threemf()


def test_what_does_not_fit_is_left_out_with_a_reason():
    items = [Item("A", box(60, 40)), Item("big", box(90, 90)), Item("B", box(60, 40))]
    layout = nest(items, (80, 60))
    assert [p["name"] for p in layout.placements] == ["A"]
    assert layout.unplaced == [
        {"index": 1, "name": "big", "reason": "larger than the plate"},
        {"index": 2, "name": "B", "reason": "the plate is full"},
    ]


def test_a_long_box_is_turned_to_fit():
    layout = nest([Item("long", box(20, 110))], (112, 30))
    assert len(layout.placements) == 1
    assert keeps(layout)


def test_footprint_is_the_shadow_not_the_base():
    mushroom = trimesh.util.concatenate(
        trimesh.creation.box((10, 10, 5)),
        trimesh.creation.box((20, 14, 5), trimesh.transformations.translation_matrix([0, 0, 5])),
    )
    outline = footprint(Mesh(np.array(mushroom.vertices), mushroom.faces.astype(np.int32)))
    assert 280.0 <= outline.area <= 280.0 + 0.04 * 68.0 + 0.01


def test_an_open_scan_has_a_footprint_too():
    solid = box(30, 20)
    outline = footprint(Mesh(solid.vertices, solid.faces[2:]))
    assert np.isclose(outline.area, 600.0, rtol=0.01)


def test_footprint_is_the_shadow_that_another_library_finds():
    body = trimesh.creation.torus(20.0, 4.0, 60, 30)
    body.apply_transform(trimesh.transformations.rotation_matrix(0.7, [1, 2, 0]))
    body.vertices += np.random.default_rng(3).normal(0.0, 0.05, body.vertices.shape)
    corners = body.vertices[body.faces][:, :, :2]
    shadow = shapely.union_all(shapely.polygons(corners))
    outline = footprint(Mesh(np.array(body.vertices), body.faces.astype(np.int32)))
    assert outline.covers(shadow)
    filled = shapely.Polygon(shadow.exterior)
    assert outline.difference(filled.buffer(0.041)).is_empty


def test_models_are_set_down_on_the_plate():
    lifted = box(20, 20)
    lifted = Mesh(lifted.vertices + [5.0, -3.0, 7.0], lifted.faces)
    layout = nest([Item("A", lifted)], (100, 100))
    body = trimesh.load(io.BytesIO(layout.stl()), file_type="stl")
    assert np.isclose(body.bounds[0, 2], 0.0)
    assert np.isclose(body.bounds[1, 2], 10.0)
    assert (body.bounds[0, :2] >= 0).all()


def test_a_person_may_arrange_and_is_told_what_is_wrong():
    items = [Item("A", box(20, 20)), Item("B", box(20, 20)), Item("C", box(20, 20))]
    placed = [Placement(0, "A", 10, 10, 0), Placement(1, "B", 31, 10, 0)]
    layout = arrange(items, placed, (100, 50), 2.0)
    (conflict,) = layout.conflicts()
    assert conflict["kind"] == "gap"
    assert 0.9 < conflict["distance_mm"] <= 1.0
    assert layout.unplaced[0]["name"] == "C"
    (conflict,) = arrange(items, [Placement(2, "C", 90, 10, 0)], (100, 50)).conflicts()
    assert conflict["kind"] == "edge"
    with pytest.raises(GeometryError, match="twice"):
        arrange(items, [placed[0], placed[0]], (100, 50))


def test_few_models_stand_in_rows_upright_and_in_their_order():
    layout = nest(unlike(5, 2), (192, 120), 2.0)
    assert keeps(layout)
    assert {p["turn_deg"] for p in layout.placements} == {0.0}
    boxes = np.array([outline.bounds for outline in layout.outlines])
    # Most urgent from the front left corner on; two rows that do not reach into each other.
    front, behind = boxes[:3], boxes[3:]
    assert (np.diff(front[:, 0]) > 0).all()
    assert (np.diff(behind[:, 0]) > 0).all()
    assert front[:, 3].max() + 2.0 <= behind[:, 1].min()
    # What room is left is shared by both sides.
    for row in (front, behind):
        assert np.isclose(row[0, 0], 192.0 - row[-1, 2])
    assert np.isclose(front[:, 1].min(), 120.0 - (behind[:, 1].min() + np.ptp(behind[:, (1, 3)])))


def test_rows_use_the_plate_to_its_edge():
    layout = nest([Item(str(k), box(30, 20)) for k in range(6)], (94.2, 42.2), 2.0)
    assert len(layout.placements) == 6
    assert keeps(layout)


def test_what_stands_too_near_is_moved_apart_and_the_rest_stays():
    items = [Item(name, extruded(horseshoe())) for name in "ABC"]
    placed = [
        Placement(0, "A", 40, 70, 0), Placement(1, "B", 85, 72, 20), Placement(2, "C", 155, 70, 0)
    ]  # fmt: skip
    layout = arrange(items, placed, (192, 120), 2.0)
    assert layout.conflicts()
    mended = move_apart(layout)
    assert mended.conflicts() == []
    assert keeps(mended)
    moved = [
        np.hypot(p.x - q.x, p.y - q.y) for p, q in zip(mended.placed, layout.placed, strict=True)
    ]
    assert max(moved) < 25.0
    kept = arrange(items, mended.placed, (192, 120), 2.0)
    assert move_apart(kept) is kept
    full = [Placement(k, str(k), 20.0, 15.0 + k, 0) for k in range(2)]
    crowded = arrange([Item(str(k), box(30, 20)) for k in range(2)], full, (40, 30), 2.0)
    with pytest.raises(GeometryError, match="no room"):
        move_apart(crowded)


def test_picture_is_a_png_of_the_size_asked_for(horseshoes):
    image = Image.open(io.BytesIO(draw(horseshoes, 480, 320)))
    assert (image.format, image.size) == ("PNG", (480, 320))
    assert len(image.getcolors(10**6)) > 5


def test_names_on_the_picture_do_not_lie_over_each_other():
    # Three horseshoes that lie in each other, and names as long as a code may be.
    nested = [translate(horseshoe(), 0.0, -9.0 * k) for k in range(3)]
    size = np.array([26.0, 5.0])
    spots = label_spots(nested, [size] * 3)
    boxes = [shapely.box(*(spot - size / 2), *(spot + size / 2)) for spot in spots]
    assert all(
        outline.contains(shapely.Point(spot)) for outline, spot in zip(nested, spots, strict=True)
    )
    for k, label in enumerate(boxes):
        assert not any(label.intersects(other) for other in boxes[:k])


def test_an_empty_list_gives_an_empty_plate():
    layout = nest([], (100, 100))
    assert layout.report["placed"] == []
    assert layout.report["height_mm"] == 0.0


@pytest.mark.parametrize(
    ("plate", "gap"), [((0, 50), 2), ((50, float("nan")), 2), ((9e9, 50), 2), ((50, 50), -1)]
)
def test_sizes_that_make_no_sense(plate, gap):
    with pytest.raises(GeometryError):
        nest([Item("A", box(5, 5))], plate, gap)


def test_a_tiny_plate_holds_nothing():
    layout = nest([Item("A", box(5, 5))], (0.1, 0.1))
    assert layout.unplaced[0]["reason"] == "larger than the plate"

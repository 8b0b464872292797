"""Borders that end above the trim: walls under them cost little or nothing of the scan."""

import manifold3d
import numpy as np
import pytest

from geometry.mesh import Mesh
from geometry.model.base import standing
from geometry.model.base.assembling import Ground
from geometry.model.base.borders import step_back
from geometry.model.base.bridges import Bridges
from geometry.model.base.closing import close_surface
from geometry.model.base.cutting import cut_surface
from geometry.model.base.losses import cost, gone
from geometry.model.base.nearby import Nearby
from geometry.model.bodies.cubes import zero_surface
from geometry.model.bodies.solids import as_written
from geometry.model.surface.halfedges import face_areas, genus
from geometry.model.surface.kinds import SCAN
from geometry.model.surface.mending import Spot
from geometry.model.surface.patches import patch_loops
from geometry.model.surface.skin import skin_of, tails, without
from geometry.topology import analyse
from geometry.topology.intersections import find_intersections

TRIM, TOP = 2.0, 12.0


@pytest.fixture(scope="module")
def frayed():
    """A rounded ridge whose border runs up and down over its undercut sides."""
    pitch = 0.5
    x, y, z = (pitch * axis for axis in np.mgrid[-16:17, -50:51, -2:26].astype(np.float64))
    along = np.maximum(np.abs(y) - 16.0, 0.0)
    ridge = 4.0 - np.sqrt(x**2 + along**2 + (z - 8.0) ** 2)
    v, f = zero_surface(ridge.astype(np.float32))
    v = v * pitch + (-8.0, -25.0, -1.0)
    fray = 1.5 * np.sin(1.3 * v[:, 1] + 2.0 * v[:, 2]) + 0.3 * np.sin(5.9 * v[:, 1])
    v, f, _, _ = cut_surface(v, f, v[:, 2] - 6.5 - fray)
    return skin_of(Mesh(v, f), np.full(len(f), SCAN, dtype=np.int8))


def test_a_frayed_border_over_an_undercut_keeps_its_surface(frayed):
    solid = close_surface(frayed, TRIM, TOP)
    v, f = as_written(solid.vertices, solid.faces)
    body = manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64)))
    assert body.status() == manifold3d.Error.NoError
    assert body.volume() > 0.0
    assert genus(f) == 0
    assert find_intersections(Mesh(v, f))[0] == 0
    assert v[:, 2].min() == 0.0
    own = face_areas(frayed.vertices, frayed.faces).sum()
    kept = face_areas(solid.vertices, solid.faces[solid.kind == SCAN]).sum()
    assert kept > 0.998 * own


def test_where_nothing_closes_a_border_a_strip_around_its_folds_is_left_out(frayed, monkeypatch):
    rim = frayed.vertices[tails(frayed, np.flatnonzero(frayed.opposite < 0))]
    fold = rim[[np.argmax(rim[:, 1])]]
    first = standing._Search._first

    def refuses_the_whole(search, skin):
        if skin is frayed:
            search._folded.append(standing.FoldedBorder(fold))
            return None
        return first(search, skin)

    monkeypatch.setattr(standing._Search, "_first", refuses_the_whole)
    monkeypatch.setattr(standing._Search, "_at_ends", lambda search, best: None)
    solid = standing.stand_safely(frayed, TRIM, TOP)
    v, f = as_written(solid.vertices, solid.faces)
    body = manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64)))
    assert body.status() == manifold3d.Error.NoError
    assert genus(f) == 0
    assert find_intersections(Mesh(v, f))[0] == 0
    left = {point.tobytes() for point in solid.vertices}
    gone = np.array([p for p in frayed.vertices if p.tobytes() not in left])
    # Nothing but the strip is given up, and it is said where.
    assert len(gone)
    assert np.linalg.norm(gone - fold, axis=1).max() < 4.0 + 1.2 + 0.5
    assert np.linalg.norm(gone[:, None] - rim, axis=2).min(axis=1).max() < 1.2 + 0.5
    assert solid.spots


@pytest.mark.parametrize(("whole", "kept_whole"), [(900.0, True), (1100.0, False)])
def test_where_far_too_much_is_lost_a_strip_is_left_out_if_that_costs_less(
    frayed, monkeypatch, whole, kept_whole
):
    made = close_surface(frayed, TRIM, TOP)
    rim = frayed.vertices[tails(frayed, np.flatnonzero(frayed.opposite < 0))]
    made.spots = [Spot("border", rim[0], 0.5)]
    inner, _ = step_back(frayed, rim[:1], np.array([standing.AROUND_FOLDS]))
    strip = close_surface(inner, TRIM, TOP)
    tried = []

    def first(search, skin):
        tried.append(skin)
        if skin is frayed:
            return standing._Stood(made, whole)
        return standing._Stood(strip, 500.0)

    monkeypatch.setattr(standing._Search, "_first", first)
    monkeypatch.setattr(standing._Search, "_at_ends", lambda search, best: None)
    assert standing.stand_safely(frayed, TRIM, TOP) is (made if kept_whole else strip)
    if not kept_whole:
        # Only around the place that was given up.
        left = {point.tobytes() for point in tried[1].vertices[np.unique(tried[1].faces)]}
        lost = np.array([p for p in frayed.vertices if p.tobytes() not in left])
        assert np.linalg.norm(lost - rim[0], axis=1).max() < standing.AROUND_FOLDS + 1.5


def test_a_bridge_begins_where_walls_crossed_and_grows_up_to_its_widest():
    turn = np.linspace(0.0, 2.0 * np.pi, 629)[:-1]
    ring = np.column_stack((10.0 * np.cos(turn), 10.0 * np.sin(turn), np.zeros(628)))
    bridges = Bridges(widest=3.0)
    assert not bridges.over(ring).any()
    place = np.array([[10.1, 0.0, 0.2], [10.0, 0.1, 0.0]])
    widths = []
    for _ in range(3):
        assert not len(bridges.widen(place))
        widths.append(0.1 * bridges.over(ring).sum())
    # Two places within a millimetre of each other are one bridge.
    assert np.allclose(widths, [3.0, 4.5, 6.75], atol=0.15)
    assert np.allclose(bridges.widen(place), place[:1])
    # One elsewhere is another.
    assert not len(bridges.widen(np.array([[-10.0, 0.0, 0.0]])))
    assert abs(0.1 * bridges.over(ring).sum() - 9.75) < 0.3


@pytest.mark.parametrize("lean", [0.0, 0.6, -0.6])
def test_a_leaning_bridge_reaches_farther_to_one_side(lean):
    turn = np.linspace(0.0, 2.0 * np.pi, 629)[:-1]
    ring = np.column_stack((10.0 * np.cos(turn), 10.0 * np.sin(turn), np.zeros(628)))
    bridges = Bridges(widest=3.0, lean=lean)
    for _ in range(2):
        bridges.widen(np.array([[10.0, 0.0, 0.0]]))
    over = ring[bridges.over(ring), 1]
    assert over.max() == pytest.approx(10.0 * np.sin(0.225 * (1.0 + lean)), abs=0.1)
    assert over.min() == pytest.approx(-10.0 * np.sin(0.225 * (1.0 - lean)), abs=0.1)


def test_the_cost_of_a_border_is_what_lies_beyond_the_new_one(frayed):
    rng = np.random.default_rng(5)
    rim = frayed.vertices[frayed.faces[frayed.opposite.reshape(-1, 3).min(axis=1) < 0, 0]]
    rest, _ = step_back(frayed, rim[rng.choice(len(rim), 6, replace=False)], np.full(6, 0.9))
    left = {point.tobytes() for point in rest.vertices[np.unique(rest.faces)]}
    lost = np.array(
        [p for p in frayed.vertices[np.unique(frayed.faces)] if p.tobytes() not in left]
    )
    # Against every point of the new border.
    new = rest.vertices[tails(rest, np.flatnonzero(rest.opposite < 0))]
    away = np.linalg.norm(lost[:, None] - new, axis=2).min(axis=1)
    assert len(lost) > 6
    assert cost(rest, gone(frayed, rest, SCAN)) == pytest.approx((away**2).sum())
    assert cost(frayed, gone(frayed, frayed, SCAN)) == 0.0


def _faces_of(skin):
    """Return the corners of the scan's faces, in no order."""
    corners = skin.vertices[skin.faces[skin.kind == SCAN]].reshape(-1, 9)
    return corners[np.lexsort(corners.T)]


@pytest.mark.parametrize("reach", [0.6, 4.0])
def test_near_its_border_a_surface_is_taken_back_as_the_whole_is(frayed, reach):
    rng = np.random.default_rng(8)
    rim = frayed.vertices[tails(frayed, np.flatnonzero(frayed.opposite < 0))]
    near, whole = Nearby(frayed), frayed
    assert (near.part.kind == SCAN).sum() < 0.75 * len(frayed.faces)
    # Fans stand for what is left aside, so that the border is the scan's own.
    assert len(near.rim()) == len(rim)
    assert analyse(near.part.mesh, self_intersections=False).shells == 1
    for _ in range(3):
        places = rim[rng.choice(len(rim), 5, replace=False)]
        assert near.step_back(places, np.full(5, reach))
        whole, _ = step_back(whole, places, np.full(5, reach))
        assert near.cost() == pytest.approx(cost(whole, gone(frayed, whole, SCAN)))
    assert (_faces_of(near.whole()) == _faces_of(whole)).all()
    assert near.spots


def test_what_crosses_far_from_the_border_is_looked_at_from_then_on(frayed):
    top = frayed.vertices[[np.argmax(frayed.vertices[:, 2])]]
    near = Nearby(frayed)
    assert not (near.part.vertices[near.part.faces[near.part.kind == SCAN]] == top).all(-1).any()
    near.look_at(top)
    assert (near.part.vertices[near.part.faces[near.part.kind == SCAN]] == top).all(-1).any()


def test_a_hole_that_was_closed_before_is_closed_alike(frayed):
    middle = frayed.vertices[np.argmax(frayed.vertices[:, 2])]
    away = np.linalg.norm(frayed.vertices[frayed.faces].mean(axis=1) - middle, axis=1)
    holed, openings, _ = without(frayed, away < 1.5)
    line = tails(holed, openings[0])
    ground = Ground(TRIM, TOP)
    points, (patch,) = ground.patches(holed.vertices, holed.faces, [line], 0.3)
    expected, (own,) = patch_loops(holed.vertices, holed.faces, [line], 0.3)
    assert len(points) > 3
    assert (points == expected).all()
    assert (patch == own).all()
    # Elsewhere in the numbering, and beside another hole.
    more = np.vstack((holed.vertices, [[0.0, 0.0, 0.0]]))
    again, (same,) = ground.patches(more, holed.faces, [line], 0.5)
    assert (again == expected).all()
    assert (np.vstack((more, again))[same] == np.vstack((holed.vertices, points))[patch]).all()


def test_stepping_back_takes_the_faces_within_reach_of_the_places(frayed):
    rng = np.random.default_rng(3)
    rim = frayed.vertices[frayed.faces[frayed.opposite.reshape(-1, 3).min(axis=1) < 0, 0]]
    places = rim[rng.choice(len(rim), 12, replace=False)]
    reach = rng.uniform(0.2, 0.7, 12)
    rest, spots = step_back(frayed, places, reach)
    middles = frayed.vertices[frayed.faces].mean(axis=1)
    away = np.linalg.norm(middles[:, None] - places, axis=2)
    stay = ~(away < reach).any(axis=1)
    left = {tuple(p) for p in np.round(rest.vertices[rest.faces].mean(axis=1), 9)}
    wanted = {tuple(p) for p in np.round(middles[stay], 9)}
    assert left <= wanted
    # Whatever else is missing hung on by what was taken only.
    assert len(wanted - left) < 0.02 * len(wanted)
    assert spots

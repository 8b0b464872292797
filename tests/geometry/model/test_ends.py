"""Scans that end in the middle of a crown, or fold just above the trim, are closed all the same."""

import manifold3d
import numpy as np
import pytest

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model import making
from geometry.model.base import closing, standing
from geometry.model.base.assembling import Closed
from geometry.model.base.borders import step_back
from geometry.model.base.closing import FoldedBorder, close_surface
from geometry.model.base.cutting import cut_surface
from geometry.model.base.ends import cut_end, ends_of
from geometry.model.bodies.cubes import zero_surface
from geometry.model.bodies.solids import as_written, shared
from geometry.model.settings import ModelSettings
from geometry.model.surface.halfedges import genus
from geometry.model.surface.kinds import SCAN, STAND_IN
from geometry.model.surface.skin import skin_of
from geometry.topology.intersections import find_intersections

TRIM, TOP = 2.0, 12.0


@pytest.fixture(scope="module")
def ridge():
    """A row of crowns: round above, a narrower neck below, torn off at both ends."""
    pitch = 0.5
    x, y, z = (pitch * axis for axis in np.mgrid[-16:17, -50:51, -2:26].astype(np.float64))
    crown = 4.0 - np.hypot(x, z - 8.0)
    neck = np.minimum(2.5 - np.abs(x), 8.0 - z)
    ends = 22.0 - np.abs(y)
    body = np.minimum(np.maximum(crown, neck), ends).astype(np.float32)
    v, f = zero_surface(body)
    v = v * pitch + (-8.0, -25.0, -1.0)
    torn = 0.8 * np.sin(2.1 * v[:, 0] + 1.3 * v[:, 2]) + 0.5 * np.sin(3.7 * v[:, 2])
    v, f, _, _ = cut_surface(v, f, 16.0 + torn - np.abs(v[:, 1]))
    # A scan has no underside.
    v, f, _, _ = cut_surface(v, f, v[:, 2] - 0.5)
    return skin_of(Mesh(v, f), np.full(len(f), SCAN, dtype=np.int8))


def test_a_row_torn_off_in_the_middle_of_crowns_is_closed(ridge):
    solid = close_surface(ridge, TRIM, TOP, ends=True)
    v, f = as_written(solid.vertices, solid.faces)
    body = manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64)))
    assert body.status() == manifold3d.Error.NoError
    assert genus(f) == 0
    assert find_intersections(Mesh(v, f))[0] == 0
    assert body.volume() > 0.0
    assert v[:, 2].min() == 0.0
    # What stays is the scan, and no more than the torn ends are gone.
    own = {tuple(p) for p in np.round(ridge.vertices, 4)}
    kept = solid.vertices[np.unique(solid.faces[solid.kind == SCAN])]
    inside = kept[(np.abs(kept[:, 1]) < 13.0) & (kept[:, 2] > TRIM)]
    assert all(tuple(p) in own for p in np.round(inside, 4))
    assert np.ptp(kept[:, 1]) > 2 * 12.5
    assert solid.spots
    assert all(abs(spot.at[1]) > 12.0 for spot in solid.spots)


def test_planes_stand_inside_the_places_and_take_only_the_end(ridge):
    far = ridge.vertices[ridge.vertices[:, 2] > TRIM]
    places = far[far[:, 1] > 15.0]
    assert len(ends_of(places)) == 1
    rest, plane, _ = cut_end(ridge, places, 0)
    assert plane[1] > 0.9
    assert (rest.vertices[:, :2] @ plane[:2]).max() <= plane[2] + 1e-9
    assert rest.vertices[:, 1].min() == ridge.vertices[:, 1].min()


def test_a_rescue_that_costs_much_of_the_scan_is_none(ridge, monkeypatch):
    def stand(skin, trim, top):
        lost = skin.faces[: len(skin.faces) // 2]
        return Closed(skin.vertices, lost, np.full(len(lost), SCAN, dtype=np.int8))

    monkeypatch.setattr(closing, "stand_safely", stand)
    with pytest.raises(FoldedBorder):
        close_surface(ridge, TRIM, TOP)


def test_an_automatic_trim_is_raised_where_the_border_folds(monkeypatch):
    asked = []

    def close(skin, trim, top, ends=False):
        asked.append((trim, ends))
        if trim < 1.5 and not ends:
            raise FoldedBorder(np.array([[1.0, 2.0, trim + 0.5]]))
        return Closed(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32), np.empty(0, np.int8))

    monkeypatch.setattr(making, "close_surface", close)
    assert making._closed(None, 0.0, ModelSettings(), 4.0)[1] == 4.0
    # Never higher than tissue allows, and never where a person chose the trim.
    asked.clear()
    assert making._closed(None, 0.0, ModelSettings(), 1.0)[1] == 1.0
    assert asked == [(0.0, False), (1.0, False), (1.0, True)]
    asked.clear()
    making._closed(None, 0.0, ModelSettings(trim=0.0), 4.0)
    assert asked == [(0.0, False), (0.0, True)]


def _solid_of(rest):
    return Closed(rest.vertices, rest.faces, rest.kind)


def test_of_several_ways_to_close_a_border_the_one_that_costs_least_is_taken(ridge, monkeypatch):
    tip = ridge.vertices[np.argmax(ridge.vertices[:, 1])]
    asked = []

    def stand(near, bridges, ground, rounds, planes=None, known=None):
        for reach in (0.5 * bridges.widest, bridges.widest):
            near.step_back(tip[None], np.array([reach]))
            asked.append((bridges.widest, reach))
            yield near.cost()
        return _solid_of(near.whole())

    monkeypatch.setattr(standing, "_stand", stand)
    monkeypatch.setattr(standing, "FAR_TOO_MUCH", np.inf)
    solid = standing.stand_safely(ridge, TRIM, TOP)
    widest = [kind[0] for kind in standing.BRIDGES]
    least, _ = step_back(ridge, tip[None], np.array([min(widest)]))
    assert len(solid.faces) == len(least.faces)
    # What has cost more already is not followed to its end.
    assert (max(widest), max(widest)) not in asked


def test_walls_that_cross_far_from_the_surface_do_not_stop_a_closing(ridge, monkeypatch):
    count = len(ridge.faces)
    size = []

    def attempt(skin, ground, bridges, planes):
        if (skin.kind == STAND_IN).any():
            # What is left near the border; how much that was is known from the first time.
            size.append(len(skin.faces))
            closed = size[-1] < size[0]
        else:
            closed = len(skin.faces) < count
        if closed:
            return _solid_of(skin), np.empty((0, 3)), False
        return None, np.array([[0.0, 40.0, 8.0]]), False

    monkeypatch.setattr(standing, "_attempt", attempt)
    solid = standing.stand_safely(ridge, TRIM, TOP)
    assert 0.95 * count < len(solid.faces) < count


def test_ways_that_lose_far_too_much_are_gone_on_with_only_where_nothing_else_helps(
    ridge, monkeypatch
):
    tip = ridge.vertices[np.argmax(ridge.vertices[:, 1])]
    rounds = []

    def stand(near, bridges, ground, count, planes=None, known=None):
        near.step_back(tip[None], np.array([1.0]))
        for _ in range(2):
            rounds.append(bridges.widest)
            yield standing.FAR_TOO_MUCH + 1.0
        return _solid_of(near.whole())

    given_up = []

    def inside(search, spots):
        given_up.append((list(spots), len(rounds)))

    monkeypatch.setattr(standing, "_stand", stand)
    monkeypatch.setattr(standing._Search, "_inside", inside)
    monkeypatch.setattr(standing._Search, "_at_ends", lambda search, best: None)
    solid = standing.stand_safely(ridge, TRIM, TOP)
    ((spots, asked),) = given_up
    # Every way was begun, none followed further; a strip is tried around what they gave up.
    assert asked == len(standing.BRIDGES)
    assert np.linalg.norm(spots[0].at - tip) < 1.5
    assert len(rounds) > asked
    assert len(solid.faces) < len(ridge.faces)


def test_ways_that_begin_alike_are_tried_once_as_far_as_they_are_alike(ridge, monkeypatch):
    place = np.array([[0.0, 40.0, 8.0]])
    seen = []

    def attempt(skin, ground, bridges, planes):
        seen.append(bridges.state[1])
        return None, place, False

    monkeypatch.setattr(standing, "_attempt", attempt)
    known = {}
    counts = []
    for widest in (9.0, 5.0):
        near, ground = standing.Nearby(ridge), standing.Ground(TRIM, TOP)
        rounds = standing._stand(near, standing.Bridges(widest), ground, 9, known=known)
        for _ in zip(range(4), rounds, strict=False):
            pass
        counts.append(len(seen))
    # No bridge, then half a length of 1.5, 2.25 and 3.4 mm: alike for both.
    assert len(set(seen)) == len(seen)
    assert counts == [4, 4]


def test_a_plane_that_would_leave_nothing_cuts_nothing_off():
    """A scrap with places to cut off all around it."""
    corners = np.array([[0.0, 0, 0], [4, 0, 1], [4, 4, 0], [0, 4, 1], [2, 2, 2]])
    faces = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]], dtype=np.int32)
    scrap = skin_of(Mesh(corners, faces), np.full(4, SCAN, dtype=np.int8))
    assert cut_end(scrap, corners[:4], 0) is None
    assert cut_end(scrap, corners[1:3], 0) is not None


def test_a_scrap_of_which_nothing_would_be_left_is_refused_in_words():
    """Its border folds everywhere; once that was an error of the program."""
    rng = np.random.default_rng(3)
    around = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    ring = 3.0 * np.column_stack((np.cos(around), np.sin(around)))
    rim = np.column_stack((ring + rng.normal(0.0, 2.0, ring.shape), 3.0 + rng.random(40)))
    points = np.vstack((rim, [[0.0, 0.0, 9.0]]))
    k = np.arange(40)
    faces = np.column_stack((k, (k + 1) % 40, np.full(40, 40))).astype(np.int32)
    scrap = skin_of(Mesh(points, faces), np.full(40, SCAN, dtype=np.int8))
    with pytest.raises(GeometryError):
        close_surface(scrap, TRIM, TOP)
    assert not shared(points, np.empty((0, 3))).any()

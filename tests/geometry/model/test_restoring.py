"""Gum that the closing of a scan gave up stands on the model again where it is seen from above."""

import manifold3d
import numpy as np
import pytest
import trimesh

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.base import restoring
from geometry.model.base.assembling import Closed
from geometry.model.base.borders import step_back
from geometry.model.base.closing import close_surface
from geometry.model.base.restoring import SHORT, WORTH, restore
from geometry.model.surface.halfedges import genus
from geometry.model.surface.kinds import SCAN
from geometry.model.surface.skin import skin_of
from geometry.topology.intersections import find_intersections

TRIM, TOP = 1.0, 9.0


@pytest.fixture(scope="module")
def mound():
    """A smooth mound with a wavy border, 24 by 14 mm, without undercut."""
    pitch = 0.25
    x, y = (pitch * axis for axis in np.mgrid[-48:49, -28:29].astype(np.float64))
    z = 3.0 + 6.0 * np.exp(-((x / 5.0) ** 2) - (y / 4.0) ** 2) + 0.3 * np.sin(x + 2.0 * y)
    i, j = (axis.ravel() for axis in np.mgrid[0:96, 0:56])
    a = i * 57 + j
    faces = np.concatenate(
        (np.column_stack((a, a + 57, a + 58)), np.column_stack((a, a + 58, a + 1)))
    )
    points = np.column_stack((x.ravel(), y.ravel(), z.ravel()))
    return skin_of(Mesh(points, faces.astype(np.int32)), np.full(len(faces), SCAN, dtype=np.int8))


def closed_without(mound, places, reach):
    rest, spots = step_back(mound, np.array(places), np.full(len(places), reach))
    solid = close_surface(rest, TRIM, TOP)
    return Closed(solid.vertices, solid.faces, solid.kind, spots=spots)


def above(solid: Closed, points):
    """How far, mm, the solid ends under points, by rays from far above (trimesh)."""
    body = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
    high = points + (0.0, 0.0, 50.0)
    down = np.tile((0.0, 0.0, -1.0), (len(points), 1))
    places, ray, _ = body.ray.intersects_location(high, down, multiple_hits=False)
    out = np.full(len(points), np.inf)
    out[ray] = points[ray, 2] - places[:, 2]
    return out


def test_what_the_closing_gave_up_stands_again_and_is_one_sound_body(mound):
    places = [(12.0, 0.0, 3.2), (-3.0, -7.0, 3.5)]
    solid = closed_without(mound, places, 2.5)
    middles = mound.vertices[mound.faces].mean(axis=1)
    before = above(solid, middles)
    assert (before > 1.0).sum() > 200
    restore(solid, mound)
    after = above(solid, middles)
    # Between columns the surface runs straight; along the cut it may lie under by a little more.
    assert after.max() < WORTH
    assert (after > SHORT).mean() < 0.005
    # Nothing stands out of the scan.
    assert after.min() > -SHORT
    v, f = solid.vertices, solid.faces
    body = manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64)))
    assert body.status() == manifold3d.Error.NoError
    assert len(body.decompose()) == 1
    assert genus(f) == 0
    assert find_intersections(Mesh(v, f))[0] == 0
    assert v[:, 2].min() == 0.0
    assert len(solid.kind) == len(f)


def test_the_rest_of_the_surface_is_left_as_it_was(mound):
    solid = closed_without(mound, [(12.0, 0.0, 3.2)], 2.5)
    restore(solid, mound)
    far = mound.vertices[:, 0] < 7.0
    corners = {point.tobytes() for point in solid.vertices.astype(np.float32)}
    assert all(point.tobytes() in corners for point in mound.vertices[far].astype(np.float32))


def test_a_model_that_lacks_nothing_is_not_touched(mound):
    solid = close_surface(mound, TRIM, TOP)
    vertices, faces = solid.vertices, solid.faces
    restore(solid, mound)
    assert solid.vertices is vertices
    assert solid.faces is faces


def test_crowns_that_are_lost_altogether_are_not_made_up(mound):
    solid = close_surface(mound, TRIM, TOP)
    low = solid.vertices.copy()
    low[:, 2] = np.minimum(low[:, 2], 4.0)
    worn = Closed(low, solid.faces, solid.kind)
    restore(worn, mound)
    assert worn.vertices is low


def test_but_for_one_place_that_cannot_be_joined_all_stand_again(mound, monkeypatch):
    places = [(12.0, 0.0, 3.2), (-3.0, -7.0, 3.5), (-12.0, 0.0, 3.2), (3.0, 7.0, 3.5)]
    solid = closed_without(mound, places, 2.5)
    middles = mound.vertices[mound.faces].mean(axis=1)
    before = above(solid, middles)
    away = np.linalg.norm(middles[:, None, :2] - np.array(places)[:, :2], axis=2).argmin(axis=1)
    assert all((before[away == k] > WORTH).any() for k in range(4))
    join, trials = restoring.unite, []

    def refuses_one(vertices, faces, body, everywhere):
        trials.append(body)
        if body.bounding_box()[3] > 11.0:
            raise GeometryError("not here")
        return join(vertices, faces, body, everywhere=everywhere)

    monkeypatch.setattr(restoring, "unite", refuses_one)
    restore(solid, mound)
    after = above(solid, middles)
    assert (after[away == 0] > WORTH).any()
    assert all(after[away == k].max() < WORTH for k in (1, 2, 3))
    # All at once, then in halves.
    assert len(trials) == 5

"""The order in which a file holds its triangles, and its pose, are of no account."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.mesh import Mesh
from geometry.model.base.healing import heal
from geometry.model.bodies.cubes import zero_surface
from geometry.model.surface.kinds import SCAN
from geometry.model.surface.ordering import ordered
from geometry.model.surface.skin import genus_of, loops_of, skin_of
from geometry.topology import analyse


@pytest.fixture(scope="module")
def bowl():
    x, y, z = np.mgrid[-20:21, -16:17, -12:13].astype(np.float64)
    v, f = zero_surface((11.3 - np.sqrt(0.4 * x**2 + 0.7 * y**2 + z**2 + 0.2 * x)).astype("f4"))
    return Mesh(v, np.ascontiguousarray(f[v[f, 2].min(axis=1) > 9.0]))


def _shuffled(mesh, seed):
    rng = np.random.default_rng(seed)
    place = rng.permutation(len(mesh.vertices))
    vertices = np.empty_like(mesh.vertices)
    vertices[place] = mesh.vertices
    return Mesh(vertices, place[mesh.faces][rng.permutation(len(mesh.faces))].astype(np.int32))


def _corners(skin):
    return skin.vertices[skin.faces].mean(axis=1)


def test_a_surface_in_another_order_or_pose_is_numbered_alike(bowl):
    first = heal(analyse(bowl, self_intersections=False)).skin
    other = heal(analyse(_shuffled(bowl, 1), self_intersections=False)).skin
    assert np.allclose(_corners(first), _corners(other))
    turn = Rotation.from_rotvec([0.4, -1.1, 0.7])
    moved = _shuffled(bowl, 2)
    moved = Mesh(turn.apply(moved.vertices) + (5.0, -3.0, 8.0), moved.faces)
    third = heal(analyse(moved, self_intersections=False)).skin
    same = np.linalg.norm(turn.apply(_corners(first)) + (5.0, -3.0, 8.0) - _corners(third), axis=1)
    assert (same < 1e-6).mean() > 0.99


def test_neighbours_stand_close_together_and_stay_paired(bowl):
    mixed = _shuffled(bowl, 3)
    before = skin_of(mixed, np.full(len(mixed.faces), SCAN, dtype=np.int8))
    skin = ordered(before)
    half = np.flatnonzero(skin.opposite >= 0)
    back = skin.opposite[half]
    assert (skin.opposite[back] == half).all()
    tail, head = skin.faces[half // 3, half % 3], skin.faces[half // 3, (half % 3 + 1) % 3]
    assert (tail == skin.faces[back // 3, (back % 3 + 1) % 3]).all()
    assert (head == skin.faces[back // 3, back % 3]).all()
    assert len(skin.faces) == len(before.faces)
    assert genus_of(skin) == 0
    assert len(loops_of(skin)) == len(loops_of(before)) == 1
    apart = np.abs(half // 3 - back // 3)
    was = np.flatnonzero(before.opposite >= 0)
    assert np.median(apart) < 8 < 0.05 * np.median(np.abs(was // 3 - before.opposite[was] // 3))

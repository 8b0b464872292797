"""Uniting a solid with its fill: what is mended, and what is left and told."""

import numpy as np
import pytest
from manifold3d import Manifold

from geometry.mesh import Mesh
from geometry.model.bodies import uniting
from geometry.model.bodies.cubes import zero_surface
from geometry.model.bodies.solids import as_written, to_manifold
from geometry.model.bodies.uniting import folds_of, unite
from geometry.model.changes import loops_left
from geometry.model.surface.halfedges import genus
from geometry.model.surface.mending import TUNNEL, Mended
from geometry.model.surface.skin import skin_of


def ring_of(radius, tube):
    """A closed ring above z = 0, mm."""
    n, m = int(radius + tube) + 3, int(tube) + 3
    x, y, z = np.mgrid[-n : n + 1, -n : n + 1, -m : m + 1].astype(np.float32) + 0.1
    v, f = zero_surface((tube - np.hypot(np.hypot(x, y) - radius, z)).astype(np.float32))
    return as_written(v.astype(np.float64), f)


def test_a_ring_too_wide_to_be_a_tunnel_is_left_and_told():
    v, f = ring_of(17.0, 8.0)
    united_v, united_f, spots = unite(v, f, None, folds_of(v, f))
    assert genus(united_f) == 1
    assert not spots
    assert len(united_v) == len(v)
    assert "ring" in loops_left(genus(united_f))[0]
    v, f = ring_of(5.0, 3.0)
    _, united_f, spots = unite(v, f, None, folds_of(v, f))
    assert genus(united_f) == 0
    assert spots
    assert loops_left(0) == []


def test_what_mending_makes_worse_is_left_as_it_was(monkeypatch):
    """Creases of a wall may go through each other where no other faces do."""
    v, f = ring_of(17.0, 8.0)

    def worse(skin, patch, kept=2, smooth=True, whole=True):
        return Mended(skin_of(Mesh(skin.vertices * (1.0, 1.0, -1.0), skin.faces), skin.kind))

    def count(mesh):
        return (0 if (mesh.vertices[:, 2] >= 0.0).all() else 3), np.empty((0, 2), dtype=np.int64)

    monkeypatch.setattr(uniting, "mend_crossings", worse)
    monkeypatch.setattr(uniting, "find_intersections", count)
    monkeypatch.setattr(uniting, "STRAIGHT", 1)
    monkeypatch.setattr(uniting, "BENT", 1)
    same_v, same_f, spots = unite(v, f, None, 4)
    assert same_v is v
    assert same_f is f
    assert not spots


def test_a_ring_that_cannot_be_closed_is_tried_once(monkeypatch):
    v, f = ring_of(17.0, 8.0)
    looks = []

    def none(skin, patch, own):
        looks.append(1)
        return Mended(skin)

    monkeypatch.setattr(uniting, "mend_handles", none)
    knob = Manifold.cube((4.0, 4.0, 4.0)).translate((51.0, 26.1, 9.2))
    _, united_f, spots = unite(v, f, knob, 0)
    assert genus(united_f) == 1
    assert not spots
    assert len(looks) == 1


def test_a_shaft_from_top_to_base_beside_a_fill_is_plugged_at_the_base():
    block = Manifold.cube((20.0, 12.0, 8.0)) - Manifold.cylinder(9.0, 0.6, 0.6, 16).translate(
        (10.0, 6.0, -0.5)
    )
    mesh = block.to_mesh64()
    v, f = as_written(np.array(mesh.vert_properties), np.array(mesh.tri_verts, dtype=np.int32))
    assert genus(f) == 1
    knob = Manifold.cube((3.0, 3.0, 3.0)).translate((1.1, 1.2, 7.0))
    united_v, united_f, spots = unite(v, f, knob)
    made = to_manifold(united_v, united_f)
    assert made.genus() == genus(united_f) == 0
    # A plug of 1 mm at the bottom of the shaft, and no more.
    plug = np.pi * 0.6**2
    assert made.volume() - (block + knob).volume() == pytest.approx(plug, rel=0.05)
    assert made.bounding_box() == pytest.approx((0.0, 0.0, 0.0, 20.0, 12.0, 10.0), abs=1e-5)
    (spot,) = spots
    assert spot.what == TUNNEL
    assert np.linalg.norm(spot.at - (10.0, 6.0, 0.5)) < 0.05


def test_a_shaft_that_leaves_no_plug_is_left_and_told(monkeypatch):
    v, f = ring_of(17.0, 8.0)
    monkeypatch.setattr(uniting, "plugs", lambda *_: ([Manifold()], []))
    _, united_f, _ = unite(v, f, Manifold.cube((2.0, 2.0, 2.0)).translate((17.0, 0.0, 7.0)))
    assert genus(united_f) == 1
    assert len(loops_left(genus(united_f))) == 1

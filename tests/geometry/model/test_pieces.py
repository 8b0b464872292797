"""The tools that models are made with, on bodies whose answers are known."""

import manifold3d
import numpy as np
import pytest
import shapely

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model import changes
from geometry.model.additions.identity import write_code
from geometry.model.base.cutting import cut_surface
from geometry.model.base.healing import heal
from geometry.model.base.ownbase import without_base
from geometry.model.bodies import combining
from geometry.model.bodies.cubes import zero_surface
from geometry.model.bodies.solids import as_written, odd_at, odd_vertices, to_manifold
from geometry.model.surface.distances import distance_to_surface
from geometry.model.surface.folds import find_folds
from geometry.model.surface.halfedges import face_areas, genus, signed_volume
from geometry.model.surface.handles import handle_cuts, handle_loops
from geometry.model.surface.mending import (
    NEAR,
    WIDEST,
    Spot,
    joined_spots,
    mend_crossings,
    mend_handles,
)
from geometry.model.surface.skin import (
    genus_of,
    patched,
    skin_of,
    turned_over,
    without,
    zipped,
)
from geometry.topology import analyse
from geometry.topology.intersections import find_intersections
from tests.geometry.model.bodies import ball_field


def torus(ring=12.0, tube=4.0, size=44):
    g = np.mgrid[0:size, 0:size, 0:20].astype(np.float32)
    x, y, z = g[0] - size / 2, g[1] - size / 2, g[2] - 10
    return (tube - np.sqrt((np.hypot(x, y) - ring) ** 2 + z**2)).astype(np.float32)


def test_zero_surface_of_a_ball():
    v, f = zero_surface(ball_field(15.0))
    assert genus(f) == 0
    assert signed_volume(v, f) == pytest.approx(4 / 3 * np.pi * 15**3, rel=0.005)
    assert analyse(Mesh(v, f)).watertight


def test_zero_surface_of_noise_is_still_closed():
    field = np.random.default_rng(5).normal(size=(14, 15, 16)).astype(np.float32)
    for axis in range(3):
        for end in (0, -1):
            np.moveaxis(field, axis, 0)[end] = -1.0
    v, f = zero_surface(field)
    topology = analyse(Mesh(v, f))
    assert topology.border_edges == topology.nonmanifold_edges == 0


def test_cutting_keeps_exactly_the_upper_part():
    v, f = zero_surface(ball_field(15.0))
    height = v[:, 2] - 21.3
    out_v, out_f, origin, parent = cut_surface(v, f, height)
    made = out_v[origin < 0]
    assert np.abs(made[:, 2] - 21.3).max() < 1e-9
    assert out_v[:, 2].min() >= 21.3 - 1e-9
    assert (out_v[origin >= 0] == v[origin[origin >= 0]]).all()
    lower = cut_surface(v, f, -height)
    total = face_areas(out_v, out_f).sum() + face_areas(lower[0], lower[1]).sum()
    assert total == pytest.approx(face_areas(v, f).sum(), rel=1e-12)
    assert len(parent) == len(out_f)


def test_a_cut_through_vertices_makes_no_slivers():
    v, f = zero_surface(ball_field(15.0))
    height = np.round(v[:, 2] - 20.0)
    out_v, out_f, _, _ = cut_surface(v, f, height)
    assert (face_areas(out_v, out_f) > 1e-12).all()


def test_a_surface_that_crosses_itself_in_very_many_places_is_mended_everywhere():
    """More crossings than are named at a time: bumps of noise on a fine sheet."""
    x, y = np.mgrid[0:160, 0:160].astype(float)
    rng = np.random.default_rng(5)
    points = 0.1 * np.column_stack((x.ravel(), y.ravel(), np.zeros(x.size)))
    inner = ((x > 4) & (x < 155) & (y > 4) & (y < 155)).ravel()
    shaken = inner & (rng.random(len(points)) < 0.15)
    points[shaken] += rng.normal(0.0, 0.14, (int(shaken.sum()), 3))
    a = (np.arange(159)[:, None] * 160 + np.arange(159)).ravel()
    faces = np.concatenate(
        (np.column_stack((a, a + 160, a + 161)), np.column_stack((a, a + 161, a + 1)))
    ).astype(np.int32)
    assert find_intersections(Mesh(points, faces))[0] > 1500
    skin = skin_of(Mesh(points, faces), np.zeros(len(faces), dtype=np.int8))
    mended = mend_crossings(skin, 3)
    assert find_intersections(mended.skin.mesh)[0] == 0
    assert face_areas(mended.skin.vertices, mended.skin.faces).sum() > 200.0
    # Where more pairs cross than there are triangles, nothing is mended first.
    points[inner] += rng.normal(0.0, 0.14, (int(inner.sum()), 3))
    rough = Mesh(points, faces)
    assert find_intersections(rough)[0] > len(faces)
    with pytest.raises(GeometryError, match="passes through itself almost everywhere"):
        heal(analyse(rough, self_intersections=False))


def skin(v, f):
    return skin_of(Mesh(v, f), np.zeros(len(f), np.int8))


def assert_paired(one):
    """The pairing that was kept up to date is the one that a fresh look finds."""
    half = np.flatnonzero(one.opposite >= 0)
    tail, head = one.faces.ravel(), np.roll(one.faces, -1, axis=1).ravel()
    assert (tail[half] == head[one.opposite[half]]).all()
    assert (head[half] == tail[one.opposite[half]]).all()
    assert (one.opposite[one.opposite[half]] == half).all()
    fresh = analyse(one.mesh, self_intersections=False)
    assert fresh.border_edges == (one.opposite < 0).sum()
    assert fresh.nonmanifold_edges == fresh.inconsistent_winding == 0


@pytest.mark.parametrize("hole", [False, True])
def test_a_ring_has_one_handle_and_loses_it(hole):
    v, f = zero_surface(torus())
    assert genus(f) == 1
    ring = skin(v, f)
    if hole:
        top = v[f, 2].mean(axis=1) > 13.5
        ring = without(ring, top & (v[f, 0].mean(axis=1) > 30.0))[0]
        assert (ring.opposite < 0).any()
    assert genus_of(ring) == 1
    assert len(handle_loops(ring, 0)) == 2
    mended = mend_handles(ring, patch=3, own=0)
    assert [spot.what for spot in mended.spots] in (["tunnel"], ["bridge"])
    assert genus_of(mended.skin) == 0
    assert_paired(mended.skin)


def test_handles_well_apart_are_cut_at_once_where_they_are_narrowest():
    g = np.mgrid[0:100, 0:24, 0:16].astype(np.float32)
    depth = np.minimum(np.minimum(g[0] - 2, 97 - g[0]), np.minimum(g[1] - 2, 21 - g[1]))
    field = np.minimum(depth, np.minimum(g[2] - 2, 13 - g[2]))
    # Four wide windows in a bar: what is left beside each is thinner than the window is wide.
    for middle in (14, 38, 62, 86):
        window = np.maximum(np.abs(g[0] - middle) - 5.2, np.abs(g[1] - 11.5) - 6.2)
        field = np.minimum(field, window)
    v, f = zero_surface(field)
    bar = skin(0.5 * v, f)
    assert genus_of(bar) == 4
    cuts = handle_cuts(bar, np.ones(len(bar.vertices), dtype=bool), 45.0)
    assert len(cuts) > 1
    on = np.concatenate([loop for loop, _ in cuts])
    assert len(on) == len(np.unique(on))
    mended = mend_handles(bar, patch=3, own=0)
    assert genus_of(mended.skin) == 0
    assert max(spot.size for spot in mended.spots) < 9.0
    assert_paired(mended.skin)


@pytest.mark.parametrize("hole", [False, True])
def test_a_window_under_a_contact_is_closed_and_the_contact_stays(hole):
    g = 0.5 * np.mgrid[0:70, 0:30, 0:44].astype(np.float64)
    x, y, z = g[0] - 17.5, g[1] - 7.5, g[2] - 2.0
    gum = np.minimum(np.minimum(15.0 - abs(x), 5.5 - abs(y)), np.minimum(z, 5.0 - z))
    # Two crowns 4 mm apart at the gum, which touch in a place 3 mm wide and high.
    crowns = [4.0 - np.hypot(x - side, y) for side in (-6.0, 6.0)]
    crowns = [np.minimum(crown, np.minimum(z, 16.0 - z)) for crown in crowns]
    contact = np.minimum(np.minimum(6.0 - abs(x), 1.5 - abs(y)), np.minimum(z - 12.0, 15.0 - z))
    v, f = zero_surface(np.maximum.reduce([gum, contact, *crowns]).astype(np.float32))
    v = 0.5 * v
    if hole:  # in the gum of the window, where its shortest loop would run
        middle = v[f].mean(axis=1) - (17.5, 7.5, 2.0)
        f = f[~((abs(middle[:, :2]) < 0.7).all(axis=1) & (abs(middle[:, 2] - 5.0) < 0.7))]
    mouth = skin(v, f)
    assert genus_of(mouth) == 1
    assert (mouth.opposite < 0).any() == hole
    mended = mend_handles(mouth, patch=3, own=0)
    assert [spot.what for spot in mended.spots if spot.size > 2.0] == ["tunnel"]
    assert genus_of(mended.skin) == 0
    assert_paired(mended.skin)
    left = set(map(tuple, mended.skin.vertices[np.unique(mended.skin.faces)]))
    at = mouth.vertices - (17.5, 7.5, 2.0)
    crown = at[:, 2] > 13.5  # all but what faces the window
    assert crown.sum() > 500
    assert all(tuple(point) in left for point in mouth.vertices[crown])


def test_a_spike_through_the_surface_is_mended():
    v, f = zero_surface(ball_field(15.0))
    v = v.copy()
    tip = int(np.argmax(v[:, 2]))
    v[tip] -= (4.0, 0.0, 36.0)
    mended = mend_crossings(skin(v, f), patch=3)
    assert mended.spots
    assert not mend_crossings(mended.skin, 3).spots
    assert analyse(mended.skin.mesh).watertight
    assert_paired(mended.skin)


def test_a_crease_between_faces_with_a_common_corner_is_mended():
    v, f = zero_surface(ball_field(15.0))
    v = v.copy()
    top = int(np.argmax(v[:, 2]))
    around = np.unique(f[(f == top).any(axis=1)])
    # Past the next corner but one, yet not so far that faces without a common corner cross.
    v[top] += 1.6 * (v[around[around != top][0]] - v[top])
    everywhere = np.ones(len(f), dtype=bool)
    assert len(find_folds(Mesh(v, f), everywhere))
    mended = mend_crossings(skin(v, f), patch=3).skin
    assert not len(find_folds(mended.mesh, np.ones(len(mended.faces), dtype=bool)))
    assert analyse(mended.mesh).watertight


@pytest.mark.parametrize(
    ("what", "off", "told"),
    [("crossing", 0.2, 0), ("crossing", 0.4, 1), ("border", 0.4, 0), ("border", 2.0, 1)],
)
def test_a_mended_place_far_off_the_scan_is_pointed_out(what, off, told):
    place = {"what": what, "size_mm": 2.0, "deviation_mm": off, "name": "at 11, facial side"}
    place |= {"crown_lost_mm": 0.0, **changes.NOTHING_BESIDE}
    lines = changes.far_off([place], 2.0)
    assert len(lines) == told
    assert all("at 11, facial side" in line for line in lines)


def test_patches_keep_the_pairing_of_edges():
    v, f = zero_surface(ball_field(15.0))
    ball = skin(v, f)
    gone = np.random.default_rng(4).random(len(f)) < 0.03
    rest, openings, _ = without(ball, gone)
    assert len(openings) > 50
    assert_paired(rest)
    whole = patched(rest, openings, 3)
    assert_paired(whole)
    assert genus_of(whole) == 0
    assert not (whole.opposite < 0).any()
    assert signed_volume(whole.vertices, whole.faces) == pytest.approx(
        signed_volume(v, f), rel=2e-3
    )
    assert_paired(turned_over(whole))


def test_rounding_keeps_touching_parts_apart():
    v, f = zero_surface(ball_field(6.0, 16))
    # Two balls that share an edge of coordinates but not of vertices.
    edge = v[f[0, :2]]
    other = v + (edge[0] - v[f[0, 0]])
    both = np.vstack((v, 2 * edge.mean(axis=0) - other))
    faces = np.vstack((f, f[:, ::-1] + len(v))).astype(np.int32)
    out_v, out_f = as_written(both, faces)
    _, counts = np.unique(
        np.sort(np.vstack((out_f[:, :2], out_f[:, 1:], out_f[:, ::2])), axis=1),
        axis=0,
        return_counts=True,
    )
    assert (counts == 2).all()
    assert np.abs(out_v.astype(np.float32) - out_v).max() == 0.0


def test_rounding_keeps_parts_apart_that_share_a_point():
    v, f = zero_surface(ball_field(6.0, 16))
    tip = int(np.argmax(v[:, 2]))
    both = np.vstack((v, 2 * v[tip] - v))
    faces = np.vstack((f, f[:, ::-1] + len(v))).astype(np.int32)
    out_v, out_f = as_written(both, faces)
    assert len(out_v) == 2 * len(v)
    assert not odd_vertices(out_f, len(out_v))[0].any()


def test_odd_vertices_are_found_among_the_corners_of_some_faces():
    v, f = zero_surface(ball_field(6.0, 16))
    rng = np.random.default_rng(6)
    for _ in range(20):
        # Faces taken away, doubled, and hung on elsewhere.
        faces = f[rng.random(len(f)) > 0.01]
        faces = np.concatenate((faces, faces[rng.integers(len(faces), size=3)]))
        faces[rng.integers(len(faces)), 0] = rng.integers(len(v))
        made = rng.random(len(faces)) < 0.2
        corner = np.zeros(len(v), dtype=bool)
        corner[faces[made]] = True
        every, _ = odd_vertices(faces, len(v))
        assert (odd_at(faces, len(v), made) == (every & corner)).all()


def test_spots_that_touch_are_joined_as_by_hand():
    rng = np.random.default_rng(2)
    spots = [
        Spot("ab"[int(rng.integers(2))], rng.uniform(0.0, 8.0, 3), float(rng.uniform(0.1, 1.0)))
        for _ in range(60)
    ]
    left: list[Spot] = []
    for spot in sorted(spots, key=lambda one: -one.size):
        for k, other in enumerate(left):
            gap = float(np.linalg.norm(other.at - spot.at))
            reach = 0.5 * (spot.size + other.size)
            if other.what == spot.what and gap <= min(
                reach + NEAR, max(WIDEST, other.size) - reach
            ):
                whole = max(gap + reach, other.size)
                way = (spot.at - other.at) / gap
                left[k] = Spot(other.what, other.at + 0.5 * (whole - other.size) * way, whole)
                break
        else:
            left.append(spot)
    found = joined_spots(spots)
    assert [spot.what for spot in found] == [spot.what for spot in left]
    assert np.allclose([spot.at for spot in found], [spot.at for spot in left])
    assert np.allclose([spot.size for spot in found], [spot.size for spot in left])
    assert joined_spots([]) == []


def test_a_chain_of_places_as_long_as_the_arch_is_told_piece_by_piece():
    turn = np.linspace(0.0, np.pi, 400)
    chain = 30.0 * np.column_stack((np.cos(turn), np.sin(turn), 0.0 * turn))
    found = joined_spots([Spot("a", place, 0.4) for place in chain])
    assert max(spot.size for spot in found) <= WIDEST
    assert 30.0 * np.pi / WIDEST < len(found) < 30
    away = np.array([np.linalg.norm(chain - spot.at, axis=1) - 0.5 * spot.size for spot in found])
    assert away.min(axis=0).max() < NEAR
    # One that is wider by itself is not told smaller.
    assert joined_spots([Spot("a", chain[0], 20.0)])[0].size == 20.0


@pytest.mark.parametrize("cut", [False, True])
def test_combining_with_part_of_a_solid_is_combining_with_all_of_it(cut):
    v, f = zero_surface(ball_field(15.0))
    v, f = as_written(v + (0.013, 0.027, 0.0), f)
    bodies = [
        manifold3d.Manifold.sphere(3.0, 40).translate((20.0 + x, 20.5, 9.0)) for x in (-9.0, 10.0)
    ]
    aside = combining._set_aside(v, f, bodies)
    assert aside.mean() > combining.WORTH_WHILE
    made_v, made_f = combining.combine(v, f, [] if cut else bodies, bodies if cut else [])
    whole = to_manifold(v, f)
    for body in bodies:
        whole = whole - body if cut else whole + body
    assert signed_volume(made_v, made_f) == pytest.approx(whole.volume(), rel=1e-9)
    assert genus(made_f) == whole.genus() == 0
    assert not odd_vertices(made_f, len(made_v))[0].any()
    kept = {tuple(point) for point in v[f[aside]].reshape(-1, 3).tolist()}
    assert kept <= {tuple(point) for point in made_v.tolist()}


def test_a_body_that_touches_the_solid_along_a_line_is_joined_to_it():
    def block(*corners):
        low, high = np.array(corners, float).reshape(2, 3)
        return manifold3d.Manifold.cube(high - low).translate(low)

    mesh = (block(0, 0, 0, 2, 2, 0.5) + block(0, 0, 0, 1, 1, 2)).to_mesh64()
    v, f = np.array(mesh.vert_properties), np.array(mesh.tri_verts, dtype=np.int32)
    # The second tower meets the first in one upright edge.
    made = as_written(*combining.combine(v, f, [block(1, 1, 0.25, 2, 2, 2)], []))
    assert not odd_vertices(made[1], len(made[0]))[0].any()
    assert genus(made[1]) == 0
    assert signed_volume(*made) == pytest.approx(2.0 + 1.5 + 1.5, rel=3e-3)


def test_distance_to_a_tall_wall_of_narrow_faces():
    """Beside its foot, the middles of all faces lie 10 mm and more away."""
    turn = np.linspace(0.0, 2.0 * np.pi, 401)[:-1]
    ring = np.column_stack((20.0 * np.cos(turn), 20.0 * np.sin(turn)))
    k = np.arange(400)
    after = (k + 1) % 400
    low, high = np.c_[ring, np.zeros(400)], np.c_[ring, np.full(400, 30.0)]
    faces = np.concatenate((np.c_[k, after, 400 + after], np.c_[k, 400 + after, 400 + k]))
    wall = Mesh(np.vstack((low, high)), faces.astype(np.int32))
    rng = np.random.default_rng(4)
    around, off = rng.uniform(0.0, 2.0 * np.pi, 50), rng.uniform(-1.5, 1.5, 50)
    plan = (20.0 + off)[:, None] * np.column_stack((np.cos(around), np.sin(around)))
    points = np.c_[plan, rng.uniform(0.1, 29.9, 50)]
    # The flat faces stand up to 0.6 µm inside the circle.
    assert distance_to_surface(points, wall) == pytest.approx(np.abs(off), abs=0.002)


def test_distance_to_a_ball():
    v, f = zero_surface(ball_field(15.0))
    rng = np.random.default_rng(1)
    way = rng.normal(size=(50, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    points = 19.7 + way * 15.7
    assert distance_to_surface(points, Mesh(v, f)) == pytest.approx(0.7, abs=0.15)
    assert len(distance_to_surface(points[:0], Mesh(v, f))) == 0


def box_of(height, tilt):
    """A closed block with a domed top and a flat base, its base tilted against its top."""
    g = np.mgrid[0:50, 0:44, 0:36].astype(np.float32)
    x, y, z = g[0] - 24.7, g[1] - 21.7, g[2] - 6.3
    dome = height - 0.01 * (x**2 + y**2) - z
    walls = np.minimum(18.0 - np.abs(x), 15.0 - np.abs(y))
    field = np.minimum(np.minimum(dome, walls), z - tilt * x)
    for axis in range(3):
        for end in (0, -1):
            np.moveaxis(field, axis, 0)[end] = -1.0
    return zero_surface(np.clip(field, -1, 1).astype(np.float32))


@pytest.mark.parametrize("tilt", [0.0, 0.15])
def test_a_flat_base_is_taken_off_along_its_own_plane(tilt):
    v, f = box_of(20.0, tilt)
    opened = without_base(Mesh(v, f))
    assert opened is not None
    topology = analyse(opened, self_intersections=False)
    rim = topology.main.vertices[topology.border.vertices]
    above = (rim[:, 2] - 6.3 - tilt * (rim[:, 0] - 24.7)) / np.hypot(1.0, tilt)
    assert above == pytest.approx(0.4, abs=0.3)
    assert not topology.holes


def test_a_ball_has_no_flat_base():
    assert without_base(Mesh(*zero_surface(ball_field(15.0)))) is None


def test_a_slit_is_zipped():
    v, f = zero_surface(ball_field(15.0))
    ball = skin(v, f)
    # Cut it open along a chain of edges, as a file with edges of four triangles is.
    t = 40
    for _ in range(5):
        g = ball.opposite[3 * t + 1]
        ball.opposite[3 * t + 1] = ball.opposite[g] = -1
        t = int(ball.opposite[3 * (g // 3) + (g % 3 + 1) % 3]) // 3
    assert (ball.opposite < 0).sum() >= 4
    whole = zipped(ball)
    assert not (whole.opposite < 0).any()
    assert_paired(whole)
    assert len(np.unique(whole.faces)) == len(v)


def test_a_code_is_not_cut_through_a_thin_part_of_the_base():
    plan = shapely.box(-15.0, 0.0, 15.0, 12.0)
    for low, high in ((0.9, 8.0), (8.0, 0.9)):
        made = write_code(
            plan, "A7", "engraved", None, lambda p, a=low, b=high: np.where(p[:, 0] < 0.0, a, b)
        )
        under = next(place for place in made.places if place["face"] == "underside")
        assert (under["centre"][0] > 0.0) == (high > low)
        assert abs(under["centre"][0]) > 0.5 * under["size_mm"]


def test_a_part_of_a_solid_that_nothing_was_done_to_goes_back_as_it_was():
    v, f = zero_surface(ball_field(15.0))
    v, f = as_written(v + (0.013, 0.027, 0.0), f)
    # Two bodies whose cells meet in a corner: the shafts beside them would meet in a point.
    bodies = [
        manifold3d.Manifold.cube((0.9, 0.9, 9.0)).translate((x, x, 0.0)) for x in (18.0, 20.0, 21.6)
    ]
    part = combining.Excerpt(v, f, bodies)
    assert part.partial
    assert len(part.faces) < 0.5 * len(f)
    lines = combining.rims(part.vertices, part.faces[~part.shafts(part.vertices, part.faces)])
    ends = np.concatenate(lines)
    assert len(np.unique(ends)) == len(ends)
    assert signed_volume(part.vertices, part.faces) > 0.0
    assert not odd_vertices(part.faces, len(part.vertices))[0].any()
    back_v, back_f = part.back(part.vertices, part.faces)

    def corners(vertices, faces):
        return {tuple(sorted(map(tuple, triangle.tolist()))) for triangle in vertices[faces]}

    assert len(back_f) == len(f)
    assert corners(back_v, back_f) == corners(v, f)

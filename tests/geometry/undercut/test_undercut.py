"""Undercut whatever the winding and the pose, and the direction with least of it."""

import time

import numpy as np
import pytest
import trimesh

from fixtures.arches import random_arch
from geometry.axes import basis_along
from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.topology import analyse
from geometry.undercut import best_direction, measure, survey
from geometry.undercut.crossings import shadow, steep_triangles, void_along
from geometry.undercut.lattice import cast

Z = np.array([0.0, 0.0, 1.0])


def leaning_block(lean: float) -> Mesh:
    """A block on z = 0 whose axis leans towards +x."""
    x = np.array([0.0, 10.0])
    corners = np.array([[a, b, c] for c in (0.0, 8.0) for b in (0.0, 6.0) for a in x])
    corners[:, 0] += corners[:, 2] * np.tan(np.radians(lean))
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    faces = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return Mesh(corners, np.array(faces, np.int32))


def test_the_winding_does_not_matter() -> None:
    mesh = leaning_block(10.0)
    inside_out = Mesh(mesh.vertices, mesh.faces[:, ::-1].copy())
    a, b = measure(mesh, Z, 0.0), measure(inside_out, Z, 0.0)
    assert a.volume_mm3 == pytest.approx(6 * 64 * np.tan(np.radians(10)) / 2, rel=0.005)
    assert b.volume_mm3 == pytest.approx(a.volume_mm3, rel=0.003)
    assert (a.lattice.outward, b.lattice.outward) == (1, -1)


def test_void_ends_at_the_base_plane_and_at_a_surface_below() -> None:
    low, high = leaning_block(0.0), leaning_block(0.0)
    raised = Mesh(high.vertices + [0, 0, 12.0], high.faces)
    both = Mesh(
        np.concatenate([low.vertices, raised.vertices]),
        np.concatenate([low.faces, raised.faces + 8]).astype(np.int32),
    )
    assert measure(both, Z, 0.0).volume_mm3 == pytest.approx(4 * 60, rel=0.003)
    assert measure(raised, Z, 0.0).volume_mm3 == pytest.approx(12 * 60, rel=0.003)
    assert measure(raised, Z, 9.0).volume_mm3 == pytest.approx(3 * 60, rel=0.003)
    assert measure(raised, Z, 15.0).volume_mm3 == pytest.approx(0.0, abs=1e-9)


def test_places_and_volumes_add_up() -> None:
    found = measure(leaning_block(10.0), Z, 0.0)
    places, volumes = found.void_places()
    assert volumes.sum() == pytest.approx(found.volume_mm3)
    assert places[:, 0].min() > 9.9


def test_areas_by_gauge_shrink_with_depth() -> None:
    mesh = leaning_block(10.0)
    fine = random_arch(5, triangles=12_000, clean=True)
    surface = analyse(fine.mesh, self_intersections=False).main
    found = measure(surface, fine.truth.occlusal)
    areas = found.areas_by_gauge(surface, np.zeros(len(surface.vertices), np.int64), 1)[0]
    assert areas[0] > areas[1] > areas[2] >= 0.0
    assert measure(mesh, Z, 0.0).areas_by_gauge(mesh, np.zeros(8, np.int64), 1).shape == (1, 3)


def soup(rng: np.random.Generator) -> tuple[Mesh, list[list[tuple[float, int]]]]:
    """Small level triangles over random lattice points, and each point's (height, facing)."""
    columns: list[list[tuple[float, int]]] = [[] for _ in range(40)]
    points, faces = [], []
    for _ in range(200):
        c, z, facing = int(rng.integers(40)), float(rng.uniform(0, 10)), int(rng.choice([-1, 1]))
        around = np.array([[0.3, 0.0], [-0.2, 0.2], [-0.2, -0.2]])[::facing] + [c // 8, c % 8]
        faces.append(np.arange(3) + 3 * len(faces))
        points += [(x, y, z) for x, y in around]
        columns[c].append((z, facing))
    return Mesh(np.array(points), np.array(faces, np.int32)), columns


def test_the_lattice_agrees_with_sorting_each_column() -> None:
    for seed in range(3):
        mesh, columns = soup(np.random.default_rng(seed))
        found = cast(mesh.vertices, mesh.faces, np.eye(3), 1.0, (Z, 1.0))
        assert found.top.shape == (5, 8)
        void = 0.0
        for c, column in enumerate(columns):
            column.sort(reverse=True)
            assert found.top[c // 8, c % 8] == (pytest.approx(column[0][0]) if column else -np.inf)
            total, opened = 0.0, None
            for z, facing in [(max(z, 1.0), facing) for z, facing in column]:
                if facing == found.outward:
                    total += opened - z if opened is not None else 0.0
                    opened = None
                else:
                    opened = z
            total += opened - 1.0 if opened is not None else 0.0
            assert found.void[c // 8, c % 8] == pytest.approx(total)
            void += total
        alone = void_along(
            mesh.vertices, mesh.faces, np.arange(200, dtype=np.int32), 1.0, np.eye(3), Z, 1.0,
            found.outward, 1.0,
        )  # fmt: skip
        assert alone == pytest.approx(void)


def test_the_volume_alone_is_the_same_number() -> None:
    arch = random_arch(8, triangles=12_000, clean=True)
    surface = analyse(arch.mesh, self_intersections=False).main
    tilt = np.array([0.03, -0.02, 0.05])
    for turned in (False, True):
        faces = surface.faces[:, ::-1].copy() if turned else surface.faces
        outward = -1 if turned else 1
        points = surface.vertices @ basis_along(arch.truth.occlusal).T
        steep, longest = steep_triangles(points, faces, outward, np.sin(np.radians(15)))
        assert 0 < len(steep) < len(faces)
        for way in np.random.default_rng(3).normal(0, 0.08, (6, 3)) + arch.truth.occlusal:
            basis = basis_along(way)
            normal = basis @ (arch.truth.occlusal + tilt)
            local = surface.vertices @ basis.T
            offset = float((local @ normal).max()) - 14.0
            whole = cast(local, faces, basis, 0.1, (normal, offset))
            assert whole.outward == outward
            alone = void_along(
                surface.vertices, faces, steep, longest, basis, normal, offset, outward, 0.1
            )
            assert alone == pytest.approx(whole.void.sum() * 0.01, rel=1e-6)


def heap(seed: int, triangles: int, size: float) -> Mesh:
    """Triangles of all shapes on top of each other."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 20, (triangles, 1, 3)) + rng.normal(0, size, (triangles, 3, 3))
    return Mesh(points.reshape(-1, 3), np.arange(3 * triangles, dtype=np.int32).reshape(-1, 3))


def test_many_layers_of_wide_and_thin_triangles_are_counted_as_ray_casting_does() -> None:
    """Against one ray for each of some lines, by another library (trimesh, MIT)."""
    mesh = heap(1, 900, 4.0)
    found = cast(mesh.vertices, mesh.faces, np.eye(3), 0.5, (Z, -50.0))
    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    columns, rows = np.nonzero(np.isfinite(found.top))
    some = np.random.default_rng(2).choice(len(columns), 60, replace=False)
    most = 0
    for i, j in zip(columns[some], rows[some], strict=True):
        above = [(found.first[0] + i) * 0.5, (found.first[1] + j) * 0.5, 60.0]
        places, _, which = body.ray.intersects_location([above], [-Z], multiple_hits=True)
        facing = np.sign(body.face_normals[which, 2])
        total, opened = 0.0, None
        for z, side in sorted(zip(places[:, 2], facing, strict=True), reverse=True):
            if side == found.outward:
                total += opened - z if opened is not None else 0.0
                opened = None
            else:
                opened = z
        total += opened + 50.0 if opened is not None else 0.0
        assert found.void[i, j] == pytest.approx(total, abs=1e-6)
        most = max(most, len(places))
    assert most > 30


def test_depth_is_the_distance_to_the_nearest_free_place() -> None:
    mesh = heap(3, 700, 3.0)
    found = measure(mesh, Z, pitch_mm=0.25)
    local = mesh.vertices @ found.lattice.basis.T
    top = np.pad(found.lattice.top, 40, constant_values=-np.inf)
    places = np.argwhere(np.ones_like(top, bool)) - 40 + found.lattice.first
    told = np.zeros(len(local))
    for v, (x, y, _) in enumerate(local / 0.25):
        middle = np.round([x, y])
        i, j = middle.astype(int) + 40 - found.lattice.first
        if top[i, j] > local[v, 2] + 0.125:
            near = np.hypot(*(places - middle).T) <= 24
            free = places[near & (top.ravel() <= local[v, 2])]
            best = min(np.hypot(*(free - [x, y]).T).min(initial=99.0), 24.0) - 0.25
            told[v] = best * 0.25 if best >= 0.5 else 0.0
    # The largest of the corners beside it, at most.
    of_three = told[mesh.faces]
    others = np.array([np.delete(of_three, k, axis=1).max(axis=1) for k in range(3)]).T
    assert found.depth_mm == pytest.approx(np.minimum(of_three, others).ravel())
    assert (told > 3.0).sum() > 50


def test_mere_noise_is_cast_by_fewer_lines() -> None:
    """What lies over itself a hundred times takes no hundred times as long or as much memory."""
    mesh = heap(4, 60_000, 1.5)
    found = measure(mesh, Z)
    area, _ = shadow(mesh.vertices, mesh.faces, 0.0)
    exact = np.cross(*np.diff(mesh.vertices[mesh.faces], axis=1).transpose(1, 0, 2))[:, 2]
    assert area == pytest.approx(np.abs(exact).sum() / 2)
    assert area / found.lattice.pitch_mm**2 < 2.1e6 < area / 0.05**2
    # No direction within the cone sees more than is allowed for.
    most, _ = shadow(mesh.vertices, mesh.faces, 15.0)
    for way in survey(leaning_block(5.0), Z, 0.0, count=20)[0]:
        assert area * 0.5 < shadow(mesh.vertices @ basis_along(way).T, mesh.faces, 0.0)[0] <= most
    begun = time.perf_counter()
    best = best_direction(mesh, Z)
    assert best.angle_deg <= 15.01
    assert time.perf_counter() - begun < 10.0


def test_each_line_crosses_a_folded_sheet_once_per_layer() -> None:
    """Lines exactly through shared edges and corners are counted once."""
    axis = np.arange(-1.0, 1.01, 0.25)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), 0.3 * x.ravel()])
    n = len(axis)
    i, j = (v.ravel() for v in np.meshgrid(range(n - 1), range(n - 1), indexing="ij"))
    a = i * n + j
    faces = np.column_stack([a, a + n, a + n + 1, a, a + n + 1, a + 1]).reshape(-1, 3)
    lattice = cast(points, faces.astype(np.int32), np.eye(3), 0.25, (Z, -9.0))
    inner = lattice.top[1:-1, 1:-1]
    assert np.isfinite(inner).all()
    assert lattice.void.max() == 0.0
    assert np.allclose(inner, 0.3 * axis[1:-1, None])


def test_a_basis_is_orthonormal_for_every_direction() -> None:
    for direction in np.random.default_rng(0).normal(size=(50, 3)):
        basis = basis_along(direction)
        assert np.allclose(basis @ basis.T, np.eye(3))
        assert np.linalg.det(basis) == pytest.approx(1.0)


def test_the_best_direction_follows_the_lean() -> None:
    for lean in (0.0, 7.0, 13.0):
        best = best_direction(leaning_block(lean), Z, 0.0)
        assert best.volume_mm3 <= 0.01 * 60 * 8
        assert best.angle_deg == pytest.approx(lean, abs=1.0)
    limited = best_direction(leaning_block(25.0), Z, 0.0)
    assert limited.angle_deg == pytest.approx(15.0, abs=0.6)


def test_bad_directions_are_refused() -> None:
    mesh = leaning_block(0.0)
    with pytest.raises(GeometryError, match="has no length"):
        measure(mesh, np.zeros(3))
    with pytest.raises(GeometryError, match="nearly along"):
        measure(mesh, Z, 0.0, base_normal=np.array([1.0, 0.0, 0.0]))
    with pytest.raises(GeometryError, match="too large"):
        measure(Mesh(mesh.vertices * 1e4, mesh.faces), Z)


def test_a_survey_covers_the_cone() -> None:
    directions, volumes = survey(leaning_block(5.0), Z, 0.0, count=50)
    angles = np.degrees(np.arccos(directions @ Z))
    assert np.allclose(np.linalg.norm(directions, axis=1), 1.0)
    assert angles.max() == pytest.approx(15.0)
    assert angles[0] == pytest.approx(0.0, abs=1e-6)
    assert volumes.shape == (50,)

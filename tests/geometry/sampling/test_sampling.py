"""Edges, noise, spikes and blisters on surfaces where they are known."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import Delaunay

from fixtures.arches import random_arch
from geometry.mesh import Mesh
from geometry.sampling import find_bumps, measure
from geometry.sampling.bumps import CELL_MM, _links
from geometry.sampling.drops import Tops, drop_odds
from geometry.sampling.measure import without_grooves
from geometry.sampling.rises import feet, profiles, rises
from geometry.topology import analyse, coarsen

UP = np.array([0.0, 0.0, 1.0])


def sheet(step: float = 0.3, size: float = 24.0, seed: int = 0) -> Mesh:
    """A gently curved sheet of nearly regular triangles."""
    n = int(size / step)
    i, j = np.meshgrid(range(n), range(n), indexing="ij")
    x, y = (i + 0.5 * (j % 2)) * step, j * step * np.sqrt(0.75)
    z = 0.02 * (x - size / 2) ** 2 + np.sin(y / 4)
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    odd = (a % n) % 2 == 1
    even_faces = np.column_stack([a, a + n, a + 1, a + n, a + n + 1, a + 1]).reshape(-1, 2, 3)
    odd_faces = np.column_stack([a, a + n, a + n + 1, a, a + n + 1, a + 1]).reshape(-1, 2, 3)
    faces = np.where(odd[:, None, None], odd_faces, even_faces).reshape(-1, 3)
    return Mesh(points, faces.astype(np.int32))


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.03, 0.08])
def test_noise_is_measured_as_it_was_added(noise: float) -> None:
    mesh = sheet()
    rng = np.random.default_rng(1)
    rough = Mesh(mesh.vertices + rng.normal(0, noise, len(mesh.vertices))[:, None] * UP, mesh.faces)
    found = measure(analyse(rough, self_intersections=False), 0.5)
    assert found.noise_mm == pytest.approx(noise, rel=0.12, abs=0.002)
    assert found.spikes == ()


@pytest.mark.parametrize("step", [0.15, 0.3, 0.6])
def test_the_median_edge_is_the_spacing(step: float) -> None:
    found = measure(analyse(sheet(step), self_intersections=False), 0.5)
    assert found.median_edge_mm == pytest.approx(step, rel=0.06)


@pytest.mark.parametrize("height", [1.0, 2.0, -1.5])
def test_a_spike_is_found_where_it_is(height: float) -> None:
    mesh = sheet()
    vertices = mesh.vertices.copy()
    inner = 40 * 80 + 40
    vertices[inner, 2] += height
    (spike,) = measure(analyse(Mesh(vertices, mesh.faces), self_intersections=False), 0.5).spikes
    assert np.allclose(spike.at, vertices[inner])
    assert spike.height_mm == pytest.approx(abs(height), abs=0.1)


@pytest.mark.parametrize("seed", range(3))
def test_long_thin_triangles_of_a_smooth_surface_are_no_spikes(seed: int) -> None:
    # As where software thins a scan out: large triangles on what is nearly flat.
    flat = np.random.default_rng(seed).uniform(0.0, 24.0, (150, 2)) * (2.0, 1.0)
    points = np.column_stack([flat, 0.002 * flat[:, 0] ** 2])
    mesh = Mesh(points, Delaunay(flat).simplices.astype(np.int32))
    assert measure(analyse(mesh, self_intersections=False), 0.5).spikes == ()
    inner = int(np.argmin(np.linalg.norm(flat - (24.0, 12.0), axis=1)))
    points[inner, 2] += 4.0
    spiked = measure(analyse(Mesh(points, mesh.faces), self_intersections=False), 0.5).spikes
    assert np.allclose(spiked[0].at, points[inner])


@pytest.mark.parametrize("seed", range(3))
def test_a_needle_of_several_vertices_is_a_spike(seed: int) -> None:
    # Its top's neighbours lie at many heights along it, hardly beside it.
    flat = np.random.default_rng(seed).uniform(0.0, 6.0, (900, 2))
    height = 2.5 * np.exp(-(((flat - 3.0) ** 2).sum(axis=1)) / 0.25**2)
    points = np.column_stack([flat, height])
    mesh = Mesh(points, Delaunay(flat).simplices.astype(np.int32))
    spikes = measure(analyse(mesh, self_intersections=False), 0.5).spikes
    assert spikes
    assert np.linalg.norm(spikes[0].at[:2] - 3.0) < 0.5


@pytest.mark.parametrize(("height", "kept"), [(0.8, True), (-0.8, False), (-1.5, True)])
@pytest.mark.parametrize("wound", [1, -1])
def test_what_points_inward_is_a_groove_unless_it_is_deep(height: float, kept: bool, wound: int):
    mesh = sheet(0.3)
    points = mesh.vertices.copy()
    points[40 * 80 + 40] += height * UP
    found = measure(analyse(Mesh(points, mesh.faces[:, ::wound].copy()), self_intersections=False),
                    0.5)
    assert len(found.spikes) == 1
    assert bool(without_grooves(found.spikes, wound, 1.0)) == kept
    climbing = tuple(replace(spike, lowest=2.0) for spike in found.spikes)
    assert bool(without_grooves(climbing, wound, 1.0)) == (height > 0.0)


@pytest.mark.parametrize(("count", "told"), [(3, 0), (5, 1)])
def test_many_spikes_side_by_side_are_one_jagged_place(count: int, told: int) -> None:
    mesh = sheet(0.3)
    points = mesh.vertices.copy()
    points[[(30 + 8 * k) * 80 + 40 for k in range(count)]] += UP
    found = measure(analyse(Mesh(points, mesh.faces), self_intersections=False), 0.5)
    assert len(found.spikes) == count
    assert len(found.rough) == told
    for patch in found.rough:
        assert patch.noise_mm == pytest.approx(1.0, abs=0.1)


def lifted(mesh: Mesh, at: np.ndarray, way: np.ndarray, radius: float) -> Mesh:
    far = np.linalg.norm(mesh.vertices - at, axis=1)
    lift = 0.9 * radius * np.sqrt(np.clip(1 - (far / radius) ** 2, 0, None))
    return Mesh(mesh.vertices + lift[:, None] * way, mesh.faces)


def bumps_of(
    mesh: Mesh,
    axis: np.ndarray,
    level: float = 1e3,
    aside: float = 40.0,
    noise: float = 0.0,
) -> list[np.ndarray]:
    found = analyse(mesh, self_intersections=False)
    loops = [loop.vertices for loop in (found.border, *found.holes) if loop]
    border = found.main.vertices[np.concatenate(loops)]
    anterior = np.roll(axis, 1)
    anterior = anterior - (anterior @ axis) * axis
    anterior /= np.linalg.norm(anterior)
    axes = np.stack([np.cross(anterior, axis), anterior, axis])
    fine = coarsen(found.main, CELL_MM)
    middle = level * axis - aside * axes[0]
    return [b.at for b in find_bumps(fine, border, middle, axes, 1, 0.31, noise)]


def test_a_blister_on_a_wall_is_found_and_the_bare_wall_is_not() -> None:
    mesh = sheet(0.25)
    axis = np.array([1.0, 0.0, 0.0])
    assert bumps_of(mesh, axis) == []
    at = mesh.vertices[48 * 96 + 40]
    (found,) = bumps_of(lifted(mesh, at, UP, 1.0), axis)
    assert np.linalg.norm(found - at) < 1.6


def test_far_below_the_teeth_what_stands_out_in_the_middle_is_a_frenum() -> None:
    axis = np.array([1.0, 0.0, 0.0])
    mesh = sheet(0.25)
    at = mesh.vertices[48 * 96 + 40]
    wet = lifted(mesh, at, UP, 1.0)
    across = float(np.cross(np.roll(axis, 1), axis) @ at)
    for off, count in ((-across, 0), (4.0 - across, 1)):
        assert len(bumps_of(wet, axis, at @ axis + 15.0, off)) == count
    assert len(bumps_of(wet, axis, at @ axis + 5.0, -across)) == 1


def test_on_the_palate_a_round_blister_is_found_and_a_long_fold_is_not() -> None:
    mesh = sheet(0.25)
    x, y, z = mesh.vertices.T
    for turn in (0.2, 0.5, 0.9):
        across = (y - 10.0) * np.cos(turn) - (x - 10.0) * np.sin(turn)
        fold = np.column_stack([x, y, z + 0.9 * np.exp(-((across / 0.9) ** 2))])
        assert bumps_of(Mesh(fold, mesh.faces), UP, 25.0) == []
    at = mesh.vertices[48 * 96 + 50]
    (found,) = bumps_of(lifted(mesh, at, UP, 1.2), UP, 25.0)
    assert np.linalg.norm(found - at) < 1.6
    # Near the biting surfaces the same shape may be a cusp.
    assert bumps_of(lifted(mesh, at, UP, 1.2), UP, 5.0) == []


def shape(name: str, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Heights of a plate, 0 at its rim or beyond, with one body in the middle."""
    if name == "drop":
        return np.sqrt(np.clip(1.0 - x**2 - y**2, 0.0, None))
    if name == "cone":
        return -0.8 * np.hypot(x, y)
    return np.sqrt(np.clip(1.0 - x**2, 0.0, None))


@pytest.mark.parametrize(
    ("name", "least", "middle"), [("drop", 1.0, 1.0), ("cone", 0.0, 0.0), ("ridge", 0.0, 1.0)]
)
def test_a_drop_rises_over_its_foot_all_around_a_cone_nowhere_a_ridge_not_along_it(
    name: str, least: float, middle: float
) -> None:
    """By the bodies' own formulas: half a ball of 1 mm, a cone, half a cylinder of 1 mm."""
    n = 41
    i, j = np.meshgrid(range(n), range(n), indexing="ij")
    x, y = (i.ravel() - n // 2) * 0.2, (j.ravel() - n // 2) * 0.2
    points = np.column_stack([x, y, shape(name, x, y)])
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    halves = [np.column_stack([a, a + n, a + 1]), np.column_stack([a + n, a + n + 1, a + 1])]
    start, near = _links(np.concatenate(halves).astype(np.int32), len(points))
    facing = np.tile(UP, (len(points), 1))
    heights = profiles(points, facing, start, near, np.array([n * n // 2]))
    low, half = rises(heights)
    assert low[0] == pytest.approx(least, abs=0.15)
    assert half[0] == pytest.approx(middle, abs=0.35 if name == "ridge" else 0.1)
    turn, depth = feet(heights)
    # A ball ends on the plate steeply, a ridge has no foot along it, a cone none at all.
    assert (turn[0, 2] > 0.7) == (name == "drop")
    assert turn[0, 0] < (0.15 if name != "drop" else 2.0)
    assert depth[0] == pytest.approx(1.0, abs=0.2) or name != "drop"


def test_a_clean_arch_has_no_blister_and_a_wet_one_has() -> None:
    arch = random_arch(41, clean=True, triangles=60_000)
    up = arch.truth.occlusal
    assert bumps_of(arch.mesh, up, float(arch.truth.origin @ up)) == []
    assert measure(analyse(arch.mesh, self_intersections=False), 0.5).spikes == ()
    tooth = arch.truth.teeth[3]
    mid = 0.5 * (tooth.margin_mid["facial"] + tooth.tips.mean(axis=0)) + 2.0 * tooth.facial
    at = arch.mesh.vertices[np.linalg.norm(arch.mesh.vertices - mid, axis=1).argmin()]
    wet = bumps_of(lifted(arch.mesh, at, tooth.facial, 1.3), up, float(arch.truth.origin @ up))
    assert any(np.linalg.norm(bump - at) < 2.0 for bump in wet)


def test_noise_of_a_tenth_of_a_millimetre_is_no_blister_and_hides_none() -> None:
    arch = random_arch(41, clean=True, triangles=60_000)
    up, noise = arch.truth.occlusal, 0.1
    level = float(arch.truth.origin @ up)
    shaken = np.random.default_rng(0).normal(0.0, noise, arch.mesh.vertices.shape)
    rough = Mesh(arch.mesh.vertices + shaken, arch.mesh.faces)
    assert bumps_of(rough, up, level, noise=noise) == []
    tooth = arch.truth.teeth[3]
    mid = 0.5 * (tooth.margin_mid["facial"] + tooth.tips.mean(axis=0)) + 2.0 * tooth.facial
    at = arch.mesh.vertices[np.linalg.norm(arch.mesh.vertices - mid, axis=1).argmin()]
    (found,) = bumps_of(lifted(rough, at, tooth.facial, 1.3), up, level, noise=noise)
    assert np.linalg.norm(found - at) < 2.0


def test_links_are_the_edges_each_once() -> None:
    faces = np.array([[0, 1, 2], [0, 2, 3], [2, 1, 0]], np.int32)
    start, near = _links(faces, 4)
    rows = [sorted(near[start[v] : start[v + 1]].tolist()) for v in range(4)]
    assert rows == [[1, 2, 3], [0, 2], [0, 1, 3], [0, 2]]


def test_a_drop_is_likelier_than_a_fold_of_the_same_height_and_both_than_even_ground() -> None:
    """Odds of tops that differ in their foot and in what they stand out by only."""
    rows = {"drop": (0.3, 0.9), "fold": (0.3, 0.1), "even": (0.0, 0.1)}
    plain, foot = np.array(list(rows.values())).T
    turn = np.column_stack([np.repeat(foot[:, None], 8, axis=1), np.full((3, 4), 0.9)])
    away = np.linspace(0.0, 3.0, 11)
    heights = np.repeat(-np.minimum(away, 1.0)[None, None], 3, axis=0).repeat(12, axis=1)
    local = np.tile([15.0, -10.0, -9.0], (3, 1))
    facing = np.tile([1.0, 0.0, 0.0], (3, 1))
    even = np.zeros(3)
    tops = Tops(local, even + 8.0, facing, even, plain, plain - 0.35, even, even + 0.8, turn, even)
    odds = drop_odds(tops, heights)
    assert odds[0] > odds[1] > odds[2]
    bare = Tops(local, even, facing, even, plain, even, even, even, turn, even)
    unseen = drop_odds(bare, np.full_like(heights, np.nan))
    assert np.isfinite(unseen).all()
    # On a thin rim there is no ground in some direction: far less likely than on a slope.
    slope, rim = (drop_odds(tops._replace(rise=even - mm), heights) for mm in (1.9, 2.1))
    assert (slope - rim > 1.0).all()

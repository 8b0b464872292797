"""Undercut of bodies against closed forms, and of arches against ray casting.

Closed forms: solids of revolution, and the horizontal depth of surveying (the gauge's
shank touches the height of contour, its head the surface below; the usual gauges
measure 0.010, 0.020 and 0.030 in: Ankara University open textbook on removable partial
dentures, surveyor chapter). Ray casting: embreex (Apache-2.0) through trimesh (MIT).
"""

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from fixtures.arches import random_arch
from geometry.mesh import Mesh
from geometry.topology import analyse
from geometry.undercut import GAUGES_MM, measure

Z = np.array([0.0, 0.0, 1.0])


def as_mesh(body: trimesh.Trimesh) -> Mesh:
    return Mesh(np.asarray(body.vertices, float), np.asarray(body.faces, np.int32))


def sphere(radius: float, height: float) -> trimesh.Trimesh:
    body = trimesh.creation.icosphere(subdivisions=6, radius=radius)
    body.apply_translation([0.0, 0.0, height])
    return body


def cylinder_on_its_side() -> trimesh.Trimesh:
    body = trimesh.creation.cylinder(radius=4, height=20, sections=720)
    body.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    body.apply_translation([0, 0, 6])
    return body


def turned(profile: list[tuple[float, float]]) -> trimesh.Trimesh:
    return trimesh.creation.revolve(np.array(profile, float), sections=720)


# Body, volume below the overhang down to z = 0 (reference values, sections 3 and 15).
ROUNDED = {
    "sphere": (sphere(4, 6), np.pi * 16 * 6 - 2 / 3 * np.pi * 64),
    "cylinder": (cylinder_on_its_side(), 2 * 4 * 20 * 6 - np.pi * 16 * 20 / 2),
    "mushroom": (
        turned([(0, 0), (3, 0), (3, 5), (6, 5), (6, 9), (0, 9)]),
        np.pi * (36 - 9) * 5,
    ),
    "frustum": (
        turned([(0, 0), (3, 0), (5, 8), (0, 8)]),
        np.pi * 25 * 8 - np.pi * 8 * (9 + 15 + 25) / 3,
    ),
    "torus": (
        trimesh.creation.torus(20, 4, major_sections=400, minor_sections=200).apply_translation(
            [0, 0, 4]
        ),
        np.pi * 20 * 16 * (4 - np.pi),
    ),
    "upright cylinder": (trimesh.creation.cylinder(radius=4, segment=[[0, 0, 0], [0, 0, 9]]), 0.0),
}


@pytest.mark.parametrize("name", ROUNDED)
def test_rounded_bodies_have_the_volume_of_the_closed_form(name: str) -> None:
    body, volume = ROUNDED[name]
    rng = np.random.default_rng(len(name))
    for _ in range(3):
        rotation = Rotation.random(rng=rng).as_matrix()
        shift = rng.uniform(-50, 50, 3)
        moved = Mesh(
            np.asarray(body.vertices) @ rotation.T + shift, np.asarray(body.faces, np.int32)
        )
        up = rotation @ Z
        found = measure(moved, up, float(shift @ up), depths=False)
        assert found.volume_mm3 == pytest.approx(volume, rel=0.003, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_a_box_drawn_obliquely(seed: int) -> None:
    """Box 10 × 12 × 8 drawn 12° off its axis: b h² tan θ / 2."""
    box = trimesh.creation.box([10, 12, 8])
    box.apply_translation([0, 0, 4])
    rng = np.random.default_rng(seed)
    rotation = Rotation.random(rng=rng).as_matrix() if seed else np.eye(3)
    shift = rng.uniform(-1, 1, 3)
    slant = np.array([np.sin(np.radians(12)), 0, np.cos(np.radians(12))])
    moved = Mesh(np.asarray(box.vertices) @ rotation.T + shift, np.asarray(box.faces, np.int32))
    up = rotation @ Z
    found = measure(moved, rotation @ slant, float(shift @ up), base_normal=up, depths=False)
    assert found.volume_mm3 == pytest.approx(12 * 64 * np.tan(np.radians(12)) / 2, rel=0.005)


@pytest.mark.parametrize("radius", [4.0, 5.0])
def test_the_depth_on_a_sphere_is_what_a_gauge_reads(radius: float) -> None:
    """Depth u is reached at the drop √(2 R u − u²) below the equator."""
    body = as_mesh(sphere(radius, 0))
    depth = measure(body, Z, -radius).depth_mm
    for gauge in GAUGES_MM:
        drop = np.sqrt(2 * radius * gauge - gauge**2)
        ring = np.abs(body.vertices[:, 2] + drop) < 0.04
        assert depth[ring].mean() == pytest.approx(gauge, abs=0.02)
        assert np.abs(depth[ring] - gauge).max() < 0.08
    assert depth[body.vertices[:, 2] > 0.3].max() < 0.04


@pytest.mark.parametrize("angle", [5.0, 10.0, 20.0])
def test_a_wall_that_leans_in_has_depth_drop_times_tangent(angle: float) -> None:
    height = 6.0
    narrow = 6.0 - height * np.tan(np.radians(angle))
    profile = [(narrow + (6 - narrow) * k / 60, height * k / 60) for k in range(61)]
    body = as_mesh(turned([(0, 0), *profile, (0, height)]))
    found = measure(body, Z, 0.0)
    wall = np.hypot(body.vertices[:, 0], body.vertices[:, 1]) > narrow + 0.01
    below = height - body.vertices[wall, 2]
    expected = below * np.tan(np.radians(angle))
    assert np.abs(found.depth_mm[wall] - expected).max() < 0.08
    assert np.abs(found.depth_mm[wall] - expected).mean() < 0.03


def void_by_rays(mesh: Mesh, up: np.ndarray, base: float, pitch: float) -> float:
    """Cast every lattice line with Embree and add up what lies below overhangs."""
    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    side = np.cross(up, [0.36, 0.48, 0.8])
    side /= np.linalg.norm(side)
    axes = np.stack([side, np.cross(up, side), up])
    local = mesh.vertices @ axes.T
    low, high = local.min(axis=0), local.max(axis=0)
    x, y = (np.arange(low[k] + pitch / 3, high[k], pitch) for k in (0, 1))
    grid = np.array(np.meshgrid(x, y, indexing="ij")).reshape(2, -1).T
    origins = np.column_stack([grid, np.full(len(grid), high[2] + 1)]) @ axes
    places, rays, triangles = body.ray.intersects_location(
        origins, np.tile(-up, (len(grid), 1)), multiple_hits=True
    )
    heights = np.maximum(places @ up, base)
    ups = body.face_normals[triangles[0] if triangles.ndim > 1 else triangles] @ up > 0
    order = np.lexsort((-heights, rays))
    total, opened, current = 0.0, None, -1
    top_up = sum(ups[order[np.r_[True, np.diff(rays[order]) > 0]]])
    sign = top_up * 2 >= len(np.unique(rays))
    for k in order:
        if rays[k] != current:
            total += opened - base if opened is not None else 0.0
            opened, current = None, rays[k]
        if ups[k] == sign:
            total += max(opened - heights[k], 0.0) if opened is not None else 0.0
            opened = None
        else:
            opened = heights[k]
    total += opened - base if opened is not None else 0.0
    return total * pitch**2


@pytest.mark.parametrize("seed", [71, 72])
def test_an_arch_agrees_with_rays(seed: int) -> None:
    arch = random_arch(seed, triangles=30_000, clean=True)
    mesh = analyse(arch.mesh, self_intersections=False).main
    up = arch.truth.occlusal
    base = float((mesh.vertices @ up).max() - 15.0)
    found = measure(mesh, up, base, depths=False).volume_mm3
    assert found == pytest.approx(void_by_rays(mesh, up, base, 0.06), rel=0.01)

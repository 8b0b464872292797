"""Places rougher or smoother than the rest, on a sheet where they are known."""

import numpy as np
import pytest

from geometry.mesh import Mesh
from geometry.sampling import Sampling, measure
from geometry.topology import analyse
from tests.geometry.sampling.test_sampling import sheet

MIDDLE, RADIUS = np.array([14.0, 11.0]), 4.0


def measured(noise_at, seed: int = 0) -> Sampling:
    """A sheet with noise across it that depends on how far from the disc's middle it is."""
    mesh = sheet(step=0.25, size=30.0)
    away = np.linalg.norm(mesh.vertices[:, :2] - MIDDLE, axis=1)
    noise = np.random.default_rng(seed).normal(0.0, 1.0, len(away)) * noise_at(away)
    moved = mesh.vertices + noise[:, None] * [0.0, 0.0, 1.0]
    turn, _ = np.linalg.qr(np.random.default_rng(seed + 1).normal(size=(3, 3)))
    return measure(analyse(Mesh(moved @ turn, mesh.faces), self_intersections=False), 0.9)


@pytest.mark.parametrize("rough_mm", [0.03, 0.06, 0.12])
def test_a_rough_place_is_told_with_its_size_and_noise(rough_mm):
    found = measured(lambda away: np.where(away < RADIUS, rough_mm, 0.006))
    (patch,) = found.rough
    assert patch.area_mm2 == pytest.approx(np.pi * RADIUS**2, rel=0.3)
    assert patch.noise_mm == pytest.approx(rough_mm, rel=0.2)
    assert found.noise_mm < 0.02
    assert found.smooth == ()


@pytest.mark.parametrize("noise_mm", [0.004, 0.02])
def test_a_place_without_noise_is_told_as_smooth(noise_mm):
    found = measured(lambda away: np.where(away < 0.6 * RADIUS, 0.0, noise_mm))
    (patch,) = found.smooth
    assert patch.area_mm2 == pytest.approx(np.pi * (0.6 * RADIUS) ** 2, rel=0.4)
    assert found.rough == ()


@pytest.mark.parametrize(
    "noise_at",
    [
        lambda away: np.full(len(away), 0.0),  # a scanner that smooths
        lambda away: np.full(len(away), 0.01),
        lambda away: np.full(len(away), 0.05),  # rough everywhere is told as such
        lambda away: np.where(away < 1.0, 0.06, 0.006),  # no more than a groove
        lambda away: 0.012 * np.clip(away / 12.0, 0.0, 1.0) ** 2,  # ever smoother towards a place
        lambda away: np.where(away < 9.0, 0.0, 0.01),  # much is smooth: the scanner's way
    ],
)
def test_nothing_is_told_where_no_place_differs_by_itself(noise_at):
    found = measured(noise_at)
    assert (found.rough, found.smooth) == ((), ())


def test_fine_relief_under_large_triangles_is_not_taken_for_noise():
    mesh = sheet(step=0.35, size=30.0)
    away = np.linalg.norm(mesh.vertices[:, :2] - MIDDLE, axis=1)
    waves = np.cos(2.0 * np.pi * mesh.vertices[:, :2] / 1.8).prod(axis=1)
    height = np.where(away < RADIUS, 0.2 * waves, 0.0)
    noise = np.random.default_rng(3).normal(0.0, 0.006, len(away))
    moved = mesh.vertices + (height + noise)[:, None] * [0.0, 0.0, 1.0]
    assert measure(analyse(Mesh(moved, mesh.faces), self_intersections=False), 0.9).rough == ()


@pytest.mark.parametrize(("noise_mm", "told"), [(0.0, 0), (0.01, 1)])
def test_a_flat_place_tells_nothing_where_the_scan_has_no_noise_but_its_form(noise_mm, told):
    mesh = sheet(step=0.25, size=30.0)
    away = np.linalg.norm(mesh.vertices[:, :2] - MIDDLE, axis=1)
    wave = np.sin(mesh.vertices[:, :2] * 2.6).prod(axis=1)
    noise = np.random.default_rng(3).normal(0.0, noise_mm or 1.0, len(away)) * bool(noise_mm)
    fades = np.clip((away - 0.6 * RADIUS) / 0.5, 0.0, 1.0)
    moved = mesh.vertices + (fades * (0.6 * wave + noise))[:, None] * [0.0, 0.0, 1.0]
    found = measure(analyse(Mesh(moved, mesh.faces), self_intersections=False), 0.9)
    assert found.noise_mm > 0.002
    assert len(found.smooth) == told


@pytest.mark.parametrize(("crowded", "told"), [(1.0, 1), (0.15, 0)])
def test_a_step_where_vertices_crowd_is_no_rough_place(crowded, told):
    mesh = sheet(step=0.25, size=30.0)
    flat = mesh.vertices[:, :2] - MIDDLE
    away = np.linalg.norm(flat, axis=1)
    # Within two radii vertices draw together towards the middle, so that the rough disc shrinks.
    drawn = np.clip((away / RADIUS - 1.0), 0.0, 1.0) * (1.0 - crowded) + crowded
    noise = np.random.default_rng(3).normal(0.0, 1.0, len(away)) * np.where(away < RADIUS, 0.06, 0.006)
    points = np.column_stack([MIDDLE + flat * drawn[:, None], noise])
    found = measure(analyse(Mesh(points, mesh.faces), self_intersections=False), 0.9)
    assert len(found.rough) == told

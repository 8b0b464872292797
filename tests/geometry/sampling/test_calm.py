"""What is very rough is averaged before its form is measured; what is coarse is not."""

import numpy as np
import pytest

from geometry.mesh import Mesh
from geometry.sampling import measure
from geometry.sampling.calm import CALMED_FROM_MM, JAGGED_FROM, calmed, roughness
from geometry.topology import analyse
from tests.geometry.sampling.test_sampling import UP, sheet


def _with(mesh: Mesh, up: np.ndarray) -> Mesh:
    return Mesh(mesh.vertices + up[:, None] * UP, mesh.faces)


def test_averaging_takes_most_of_the_noise_and_leaves_the_form() -> None:
    smooth = sheet(step=0.25)
    noise = np.random.default_rng(2).normal(0.0, 0.4, len(smooth.vertices))
    rough = analyse(_with(smooth, noise), self_intersections=False)
    measured = roughness(rough).noise_mm
    assert measured == measure(rough, 0.5).noise_mm > CALMED_FROM_MM
    calm = calmed(rough)
    assert np.array_equal(calm.main.faces, rough.main.faces)
    off = calm.main.vertices[:, 2] - smooth.vertices[rough.vertex_map, 2]
    assert off.std() < 0.3 * 0.4


@pytest.mark.parametrize("noise", [0.1, 0.3, 0.6])
def test_noise_larger_than_the_triangles_is_measured_as_it_was_added(noise: float) -> None:
    smooth = sheet(step=0.25)
    added = np.random.default_rng(5).normal(0.0, noise, smooth.vertices.shape)
    rough = analyse(Mesh(smooth.vertices + added, smooth.faces), self_intersections=False)
    assert roughness(rough).noise_mm == pytest.approx(noise, rel=0.06)
    found = measure(rough, 0.5)
    assert found.noise_mm == roughness(rough).noise_mm
    assert noise > 0.3 or found.spikes == ()


def test_a_surface_full_of_spikes_is_jagged_and_a_calm_one_is_not() -> None:
    smooth = sheet(step=0.25)
    thorns = 2.0 * (np.random.default_rng(3).random(len(smooth.vertices)) < 0.05)
    assert roughness(analyse(_with(smooth, thorns), self_intersections=False)).jagged > JAGGED_FROM
    assert roughness(analyse(smooth, self_intersections=False)).jagged == 0.0


def test_large_triangles_are_not_averaged() -> None:
    coarse = analyse(sheet(step=1.2), self_intersections=False)
    assert calmed(coarse) is coarse


def test_no_vertex_of_mere_noise_is_a_spike() -> None:
    smooth = sheet()
    rng = np.random.default_rng(4)
    up = rng.normal(0.0, 0.2, len(smooth.vertices))
    up[40 * 80 + 40] = 2.5
    rough = _with(smooth, up)
    (spike,) = measure(analyse(rough, self_intersections=False), 0.5).spikes
    assert np.allclose(spike.at, rough.vertices[40 * 80 + 40])

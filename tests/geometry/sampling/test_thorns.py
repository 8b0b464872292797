"""A thorn of many vertices is found, however fine the scan; cusps and papillae are none."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.mesh import Mesh
from geometry.sampling import measure
from geometry.topology import analyse

STEP = 0.15
SIDE = 81


def surface(height, seed: int | None = None) -> Mesh:
    """Return the graph of ``height(x, y)`` over 12 x 12 mm, turned at random with a seed."""
    x, y = np.meshgrid(*[(np.arange(SIDE) - SIDE // 2) * STEP] * 2, indexing="ij")
    points = np.stack([x, y, height(x, y)], axis=-1).reshape(-1, 3)
    k = np.arange(SIDE * SIDE).reshape(SIDE, SIDE)
    a, b, c, d = k[:-1, :-1].ravel(), k[1:, :-1].ravel(), k[1:, 1:].ravel(), k[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    if seed is not None:
        points = Rotation.random(random_state=seed).apply(points)
        faces = np.random.default_rng(seed).permutation(faces)
    return Mesh(points, faces.astype(np.int32))


def crown(x, y):
    return -0.08 * (x**2 + y**2)


def thorn(x, y, high: float, at: tuple[float, float] = (0.0, 0.0)):
    return high * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2.0 * 0.28**2))


def spikes(mesh: Mesh):
    return measure(analyse(mesh, self_intersections=False), 0.5).spikes


@pytest.mark.parametrize("high", [1.6, 2.5, 3.9])
@pytest.mark.parametrize("seed", [None, 1, 2])
def test_a_thorn_is_found_in_any_pose(high: float, seed: int | None) -> None:
    # .65 mm wide at half its height: every vertex of it lies near its neighbours.
    mesh = surface(lambda x, y: crown(x, y) + thorn(x, y, high, (0.6, -0.9)), seed)
    (found,) = spikes(mesh)
    tip = np.array([0.6, -0.9, crown(0.6, -0.9) + high])
    if seed is not None:
        tip = Rotation.random(random_state=seed).apply(tip)
    assert np.linalg.norm(found.at - tip) < 0.35
    assert 0.6 * high <= found.height_mm <= high + 0.25


def test_cusps_and_edges_as_steep_as_teeth_have_them_are_no_thorns() -> None:
    # Slopes of cusps are 45 degrees and less; an incisal edge is thin across, but long.
    def cone(x, y):
        return -1.2 * np.hypot(x, y)

    def edge(x, y):
        return -3.0 * np.maximum(np.abs(x) - 0.3, 0.0) - 0.02 * y**2

    assert spikes(surface(cone)) == ()
    assert spikes(surface(edge)) == ()


def test_a_thin_papilla_between_two_crowns_is_no_thorn() -> None:
    def between(x, y):
        return thorn(x, y, 2.5) + 3.0 * np.clip((np.abs(x) - 0.7) / 0.3, 0.0, 1.0)

    assert spikes(surface(between)) == ()
    assert len(spikes(surface(lambda x, y: thorn(x, y, 2.5)))) == 1

"""Some vertices stand for many: the same ones whatever the file looks like."""

import numpy as np
from scipy.spatial.transform import Rotation

from geometry.mesh import Mesh
from geometry.sampling.thinning import edge_lengths, some_of
from geometry.topology import analyse


def cloud() -> np.ndarray:
    places = np.random.default_rng(5).random((40_000, 3)) * (60.0, 40.0, 12.0)
    return np.column_stack([places[:, :2], places[:, 2] ** 1.3])


def test_about_as_many_as_asked_for_are_chosen_from_everywhere() -> None:
    points = cloud()
    chosen = some_of(points, 5_000)
    assert 4_000 < chosen.sum() < 6_000
    share, _ = np.histogram(points[chosen, 0], bins=12, range=(0.0, 60.0))
    assert share.min() > 0.7 * chosen.sum() / 12
    assert some_of(points[:300], 200).all()


def test_neither_the_order_nor_the_pose_decides_which() -> None:
    points = cloud()
    chosen = some_of(points, 5_000)
    order = np.random.default_rng(6).permutation(len(points))
    turned = Rotation.from_rotvec([0.4, -1.1, 0.7]).apply(points[order]) + (30.0, -80.0, 5.0)
    again = some_of(turned.astype(np.float32).astype(np.float64), 5_000)
    assert (again != chosen[order]).mean() < 0.002


def test_edges_from_the_chosen_vertices_are_measured() -> None:
    corners = np.array([[0.0, 0, 0], [3, 0, 0], [0, 4, 0], [3, 4, 0]])
    mesh = Mesh(corners, np.array([[0, 1, 2], [1, 3, 2]], dtype=np.int32))
    chosen = np.array([True, False, False, True])
    near = analyse(mesh, self_intersections=False).neighbours
    found = edge_lengths(corners, near, chosen)
    assert sorted(found) == [3.0, 3.0, 4.0, 4.0]

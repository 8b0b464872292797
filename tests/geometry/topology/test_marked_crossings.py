"""Crossings of marked triangles are those of all in which a marked one takes part."""

import numpy as np

from geometry.mesh import Mesh
from geometry.topology.intersections import find_intersections


def test_only_pairs_with_a_marked_triangle_are_counted():
    rng = np.random.default_rng(0)
    corners = rng.uniform(0.0, 6.0, (600, 1, 3)) + rng.normal(0.0, 0.4, (600, 3, 3))
    mesh = Mesh(corners.reshape(-1, 3), np.arange(1800, dtype=np.int32).reshape(-1, 3))
    count, pairs = find_intersections(mesh)
    assert count == len(pairs) > 50
    own = rng.random(600) < 0.2
    wanted = pairs[own[pairs].any(axis=1)]
    marked, found = find_intersections(mesh, own)
    assert 0 < marked == len(wanted) < count
    # In the same order too.
    assert np.array_equal(found, wanted)
    assert find_intersections(mesh, np.zeros(600, dtype=bool))[0] == 0

"""Compiled distances and energies against shapely."""

import math

import numpy as np
import shapely
from shapely import affinity

from geometry.plates.overlap import distance_at, pair_energy, step_apart, wall_energy
from geometry.plates.shapes import Shape, Shapes, signed_distances
from tests.geometry.plates.bodies import horseshoe


def test_signed_distances_equal_shapely():
    outline = horseshoe().simplify(0.5)
    ring = np.asarray(outline.exterior.coords)[:-1]
    field = signed_distances(ring, -40.0, -50.0, 3.0, 27, 22)
    for r in range(22):
        for c in range(27):
            point = shapely.Point(-40.0 + 3.0 * c, -50.0 + 3.0 * r)
            away = outline.exterior.distance(point)
            expected = -away if outline.contains(point) else away
            assert abs(field[r, c] - expected) < 1e-4


def test_energy_equals_the_sum_over_points():
    a, b = Shape.of(horseshoe(), 3.0), Shape.of(horseshoe(70, 50, 1200), 3.0)
    packed = Shapes.of([a, b]).packed
    rng = np.random.default_rng(0)
    gap = 2.0
    for _ in range(30):
        x, y, turn = rng.uniform(-40, 40), rng.uniform(-40, 40), rng.uniform(0, 6.28)
        found = pair_energy(packed, 0, 0.0, 0.0, 0.0, 1, x, y, turn, gap, 1e300)
        total = 0.0
        for shape, other, back in ((a, b, False), (b, a, True)):
            c, s = math.cos(turn), math.sin(turn)
            for p in shape.points:
                if back:
                    q = np.array([x + c * p[0] - s * p[1], y + s * p[0] + c * p[1]])
                else:
                    d = p - [x, y]
                    q = np.array([c * d[0] + s * d[1], -s * d[0] + c * d[1]])
                ring = other.outline.exterior
                away = ring.distance(shapely.Point(q))
                away = -away if other.outline.contains(shapely.Point(q)) else away
                total += max(0.0, gap - away) ** 2
        # Outlines are simplified and the field is interpolated.
        assert abs(found - total) <= 0.08 * total + 2.0


def test_beyond_the_edge_adds_squares():
    shape = Shape.of(shapely.box(-5, -5, 5, 5), 2.0)
    packed = Shapes.of([shape]).packed
    assert wall_energy(packed, 0, 50.0, 50.0, 0.0, 100.0, 100.0) == 0.0
    over = wall_energy(packed, 0, 97.0, 50.0, 0.0, 100.0, 100.0)
    beyond = np.maximum(0.0, shape.points[:, 0] - 3.0)
    assert np.isclose(over, (beyond**2).sum())


def test_a_step_brings_two_apart():
    shape = Shape.of(horseshoe(), 3.0)
    packed = Shapes.of([shape]).packed
    kinds = np.zeros(2, dtype=np.int64)
    poses = np.array([[60.0, 60.0, 0.0], [75.0, 95.0, 3.0]])
    weights = np.ones((2, 3))
    x, y, turn = poses[1]
    first, *_ = step_apart(packed, kinds, poses, weights, 1, x, y, turn, 200.0, 200.0, 2.0)
    assert first > 0.0
    for _ in range(25):
        energy, x, y, turn = step_apart(
            packed, kinds, poses, weights, 1, x, y, turn, 200.0, 200.0, 2.0
        )
    assert energy < 1e-3
    moved = affinity.translate(affinity.rotate(shape.outline, np.degrees(turn), (0, 0)), x, y)
    still = affinity.translate(shape.outline, 60.0, 60.0)
    assert moved.distance(still) > 1.8


def test_distance_beyond_the_field_is_far():
    packed = Shapes.of([Shape.of(shapely.box(-5, -5, 5, 5), 2.0)]).packed
    assert distance_at(packed, 0, 50.0, 0.0)[0] > 1e6

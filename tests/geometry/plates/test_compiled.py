"""Compiled distances and energies against shapely."""

import math

import numpy as np
import pytest
import shapely
from shapely import affinity

from geometry.plates.overlap import CLEAR_MM, distance_at, energy_of, step_apart, wall_energy
from geometry.plates.search import hop, seed
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
    kinds = np.array([0, 1])
    rng = np.random.default_rng(0)
    gap = 2.0
    for _ in range(30):
        x, y, turn = rng.uniform(80, 160), rng.uniform(80, 160), rng.uniform(0, 6.28)
        poses = np.array([[120.0, 120.0, 0.0], [0.0, 0.0, 0.0]])
        found = energy_of(packed, kinds, poses, 1, x, y, turn, 240.0, 240.0, gap, 1e300)
        total = 0.0
        c, s = math.cos(turn), math.sin(turn)
        for p in b.points:
            q = shapely.Point(x - 120.0 + c * p[0] - s * p[1], y - 120.0 + s * p[0] + c * p[1])
            away = a.outline.exterior.distance(q)
            away = -away if a.outline.contains(q) else away
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
    shape = Shape.of(horseshoe(), 2.0 + CLEAR_MM)
    packed = Shapes.of([shape]).packed
    kinds = np.zeros(2, dtype=np.int64)
    poses = np.array([[60.0, 60.0, 0.0], [75.0, 95.0, 3.0]])
    for again in range(25):
        x, y, turn = poses[1]
        # Nothing is known of the pair before each step.
        energy, *poses[1] = step_apart(
            packed, kinds, poses, 1, x, y, turn, 200.0, 200.0, 2.0, np.zeros(2), np.zeros((2, 2))
        )
        assert energy > 0.0 or again
    assert energy < 1e-3
    moved = affinity.translate(
        affinity.rotate(shape.outline, np.degrees(poses[1, 2]), (0, 0)), *poses[1, :2]
    )
    still = affinity.translate(shape.outline, 60.0, 60.0)
    assert moved.distance(still) > 1.8


@pytest.mark.parametrize(
    ("kinds", "twin"),
    [([0, 0, 0, 0], [1, 0, 3, 2]), ([0, 0, 1, 0, 1], [1, 0, 3, 2, -1])],
    ids=["alike", "one pair unlike, one without a mate"],
)
def test_mates_stay_opposite_each_other_whatever_is_tried(kinds, twin):
    packed = Shapes.of([Shape.of(horseshoe(), 5.0), Shape.of(horseshoe(56, 46, 1200), 5.0)]).packed
    kinds, twin = np.array(kinds), np.array(twin)
    size = np.array([110.0, 80.0])  # too small: nothing ends early
    seed(4)
    poses = np.random.default_rng(4).uniform((30, 30, 0), (80, 50, 6.28), (len(kinds), 3))
    for one, other in ((0, 1), (2, 3)):
        poses[other] = (*(size - poses[one, :2]), poses[one, 2] + math.pi)
    energy, rounds, changes = hop(packed, kinds, poses, twin, *size, 2.0, 1e-3, 6, 1000)
    assert rounds > 0
    assert changes > 0
    for one, other in ((0, 1), (2, 3)):
        assert np.allclose(poses[one, :2] + poses[other, :2], size)
        assert math.isclose(math.cos(poses[one, 2] - poses[other, 2]), -1.0)
    each = [
        energy_of(packed, kinds, poses, k, *poses[k], *size, 2.0, 1e300) for k in range(len(kinds))
    ]
    assert np.isclose(energy, sum(each), rtol=1e-6)


def test_what_is_said_to_be_clear_is():
    shape = Shape.of(horseshoe(), 2.0 + CLEAR_MM)
    packed = Shapes.of([shape]).packed
    kinds = np.zeros(2, dtype=np.int64)
    rng = np.random.default_rng(3)
    told = 0
    for _ in range(60):
        poses = rng.uniform((40, 40, 0), (160, 160, 6.28), (2, 3))
        free = np.zeros((2, 2))
        args = (packed, kinds, poses, 1, *poses[1], 200.0, 200.0, 2.0)
        step_apart(*args, np.zeros(2), free)
        if free[1, 0] > 0.0:
            told += 1
            still, moved = (
                affinity.translate(affinity.rotate(shape.outline, np.degrees(t), (0, 0)), x, y)
                for x, y, t in poses
            )
            corners = shapely.points(np.asarray(moved.exterior.coords))
            assert shapely.distance(still, corners).min() > 2.0 + free[1, 0] - 0.3
    assert told > 5


def test_distance_beyond_the_field_is_far():
    packed = Shapes.of([Shape.of(shapely.box(-5, -5, 5, 5), 2.0)]).packed
    assert distance_at(packed, 0, 50.0, 0.0)[0] > 1e6

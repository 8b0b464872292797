"""The shortest path through the shapes tells which numbers are wrong."""

import numpy as np
import pytest

from geometry.series.mouths import Step, crown_distances, sort_into_mouths
from geometry.series.order import judge_order
from geometry.series.surface import Surface


def seen(distances, order):
    return judge_order(distances[np.ix_(order, order)])


@pytest.fixture(scope="module")
def twenty(lower_steps):
    steps = [Step(str(k), "lower", k, "", Surface.of(m)) for k, m in enumerate(lower_steps[0])]
    (mouth,) = sort_into_mouths(steps)
    return crown_distances(mouth)


def test_the_right_order_is_not_doubted(twenty):
    found = judge_order(twenty)
    assert (found.swapped, found.misplaced, found.doubled) == ([], [], [])


@pytest.mark.parametrize("k", range(19))
def test_every_swap_of_neighbours_in_twenty_steps_is_found(twenty, k):
    order = np.arange(20)
    order[[k, k + 1]] = order[[k + 1, k]]
    found = seen(twenty, order)
    assert found.swapped == [(k, k + 1)]
    assert found.misplaced == []


def test_a_step_far_from_its_place_is_told_where_it_belongs(twenty):
    order = np.insert(np.delete(np.arange(20), 4), 13, 4)
    found = seen(twenty, order)
    assert found.misplaced == [(13, 3, 4)]
    assert found.swapped == []


def test_random_walks_in_many_directions():
    for seed in range(20):
        rng = np.random.default_rng(seed)
        way = rng.normal(size=30)
        walk = [np.zeros(30)]
        for _ in range(14):
            way = 0.8 * way + 0.4 * rng.normal(size=30)
            walk.append(walk[-1] + way / np.linalg.norm(way) * rng.uniform(0.1, 0.25))
        walk = np.array(walk)
        distances = np.linalg.norm(walk[:, None] - walk[None], axis=2)
        assert judge_order(distances).swapped == []
        i, j = sorted(rng.choice(15, 2, replace=False))
        order = np.arange(15)
        order[[i, j]] = order[[j, i]]
        assert seen(distances, order).swapped == [(i, j)]


def test_two_steps_have_no_order():
    assert judge_order(np.array([[0.0, 0.2], [0.2, 0.0]])).swapped == []
    assert judge_order(np.zeros((2, 2))).doubled == [(0, 1)]


def test_names_in_no_order_at_all_make_no_copies(twenty):
    order = np.random.default_rng(1).permutation(20)
    found = seen(twenty, order)
    assert found.misplaced or found.swapped
    assert not found.doubled


@pytest.mark.parametrize("staged", [False, True])
def test_a_copy_is_told_from_a_small_step_whatever_the_noise(staged):
    for seed in range(40):
        rng = np.random.default_rng(seed)
        way = rng.normal(size=30)
        walk = [np.zeros(30)]
        for k in range(11):
            way = 0.8 * way + 0.4 * rng.normal(size=30)
            # Front teeth first, then the back ones: later steps go another way altogether.
            now = np.where((np.arange(30) < 15) == (k < 6), way, 0.0) if staged else way
            walk.append(walk[-1] + now / np.linalg.norm(now) * rng.uniform(0.02, 0.05))
        copied = int(rng.integers(11))
        true = [*walk[: copied + 1], walk[copied], *walk[copied + 2 :]]
        for shapes, copies in ((walk, []), (true, [(copied, copied + 1)])):
            at = np.array(shapes)
            noise = rng.uniform(0.013, 0.016, len(at)) ** 2
            moved = np.linalg.norm(at[:, None] - at[None], axis=2)
            distances = np.sqrt(moved**2 + noise[:, None] + noise)
            np.fill_diagonal(distances, 0.0)
            assert judge_order(distances).doubled == copies

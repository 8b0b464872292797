"""Tips of teeth, folds, corners and papillae stand out as a drop does, and are none."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from geometry.sampling.bumps import _folds, _stands, _sure, _tips
from geometry.sampling.drops import Tops

UP = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize(
    ("place", "facing", "tip"),
    [
        ((0.0, 0.0), UP, True),
        ((1.5, 0.0), UP, False),  # a slope, with the tip above it
        ((0.0, 0.0), np.array([1.0, 0.0, 0.0]), False),
    ],
)
def test_the_tip_of_a_crown_is_the_highest_place_around_and_faces_up(place, facing, tip):
    x, y = (c.ravel() for c in np.meshgrid(np.arange(-4, 4.1, 0.3), np.arange(-4, 4.1, 0.3)))
    crown = np.column_stack([x, y, -0.8 * np.hypot(x, y)])
    top = np.array([((crown[:, :2] - place) ** 2).sum(axis=1).argmin()])
    for level, told in ((0.0, tip), (6.0, False)):  # far below the biting surfaces none is a tip
        local = crown[top] - level * UP
        assert _tips(local, facing[None], top, cKDTree(crown), UP)[0] == told


def test_four_alike_side_by_side_are_folds_and_one_among_others_is_none():
    row = np.column_stack([np.arange(4) * 1.2, np.zeros(4), np.zeros(4)])
    alone = np.array([[20.0, 0.0, 0.0]])
    same = np.tile(UP, (5, 1))
    heights = np.full(5, 0.7)
    every = np.arange(5)
    found = _folds(np.vstack([row, alone]), same, heights, every)
    assert found.tolist() == [True] * 4 + [False]
    lower = np.where(np.arange(5) == 1, 0.7, 0.2)  # a drop beside what stands out far less
    assert not _folds(np.vstack([row, alone]), same, lower, every)[1]
    turned = same.copy()
    turned[:2] = [1.0, 0.0, 0.0]
    assert not _folds(np.vstack([row, alone]), turned, heights, every).any()


DROP = {"up": 0.1, "foot": 0.9, "depth": 0.8, "middle": 0.9, "rise": 0.7, "excess": 0.0}
DROP |= {"plain": 0.3, "least": 0.2}


@pytest.mark.parametrize(
    "change",
    [
        {"foot": 0.1},  # a bulge or a corner, which ends in no foot
        {"foot": 0.4, "up": 0.8},  # the rim of a ridge, which faces up
        {"depth": 0.1, "middle": 0.2, "excess": -0.2},  # beside a hollow
        {"up": 0.8, "rise": -1.0},  # the peak of a papilla, low on one side
        {"plain": 0.2, "least": 0.0},  # the overhanging back of the last crown
        {"up": 0.6, "excess": -0.3, "foot": 1.2},  # a broad papilla between two crowns
        {"middle": -9.0},  # the lip of a crack: no ground is seen
    ],
)
def test_a_drop_ends_in_a_foot_and_stands_over_the_ground(change):
    one, other = DROP, DROP | change
    values = {name: np.array([one[name], other[name]]) for name in DROP}
    facing = np.column_stack([np.sqrt(1 - values["up"] ** 2), np.zeros(2), values["up"]])
    nothing, turn = np.zeros(2), np.repeat(values["foot"][:, None], 12, axis=1)
    turn[:, 0] = np.minimum(values["least"], values["foot"])
    seen = Tops(np.zeros((2, 3)), nothing, facing, nothing, values["plain"], values["excess"],
                values["rise"], values["middle"], turn, values["depth"])
    assert _stands(seen).tolist() == [True, False]


def test_what_faces_up_or_lies_on_a_ridge_has_to_be_likelier_than_what_lies_on_a_wall():
    odds, up = np.array([0.35, 0.35, 0.7, -0.1, 1.6, 3.0]), np.array([0.8, 0.1, 0.8, 0.1, 0.1, 0.1])
    ridge = np.array([False, False, False, False, True, True])
    assert _sure(odds, up, ridge).tolist() == [False, True, True, False, False, True]

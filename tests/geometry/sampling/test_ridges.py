"""A rolled margin of gum runs on along the tooth; a drop beside it does not.

Sizes of margins and drops are common practice, no source.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.sampling import bumps
from geometry.sampling.balls import Ball
from geometry.sampling.bumps import CELL_MM, _links, find_bumps
from geometry.sampling.fields import smooth
from geometry.sampling.ridges import runs_on

Array = NDArray[np.float64]
ROUNDS = 9
OUT = np.array([0.0, 1.0, 0.0])
DROP, MIDDLE = np.array([6.0, 0.0, -10.0]), np.array([-3.0, 0.0, -8.0])


def wall(reach_deg: float) -> Mesh:
    """A wall that faces forward, a round drop on it, and a margin rolled about an arc.

    The arc's radius is 4 mm, and it reaches so far to both sides of its lowest point.
    """
    x, z = np.meshgrid(np.arange(-10, 10.1, CELL_MM), np.arange(-16, -3.9, CELL_MM), indexing="ij")
    drop = 1.2**2 - (x - DROP[0]) ** 2 - (z - DROP[2]) ** 2
    across, down = x - MIDDLE[0], MIDDLE[2] - z
    turn = np.clip(np.arctan2(across, down), -np.radians(reach_deg), np.radians(reach_deg))
    from_arc = (across - 4.0 * np.sin(turn)) ** 2 + (down - 4.0 * np.cos(turn)) ** 2
    y = np.sqrt(np.maximum(np.maximum(drop, 0.7**2 - from_arc), 0.0))
    i, j = np.meshgrid(range(x.shape[0] - 1), range(x.shape[1] - 1), indexing="ij")
    a = (i * x.shape[1] + j).ravel()
    b, c, d = a + x.shape[1], a + 1, a + x.shape[1] + 1
    faces = np.concatenate([np.column_stack([a, c, b]), np.column_stack([b, c, d])])
    return Mesh(np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces.astype(np.int32))


def told(mesh: Mesh, places: list[Array]) -> list[bool]:
    """Whether each runs on, from the vertex nearest to it."""
    start, neighbour = _links(mesh.faces, len(mesh.vertices))
    plain = (mesh.vertices - smooth(mesh.vertices, start, neighbour, ROUNDS)) @ OUT
    tops = [int(((mesh.vertices - place) ** 2).sum(axis=1).argmin()) for place in places]
    return runs_on(mesh.vertices, plain, start, neighbour, np.array(tops)).tolist()


def on_margin(degrees: float) -> Array:
    turn = np.radians(degrees)
    return MIDDLE + 4.0 * np.array([np.sin(turn), 0.0, -np.cos(turn)]) + 0.7 * OUT


def test_a_rolled_margin_runs_on_wherever_it_is_asked_and_a_drop_does_not() -> None:
    found = told(wall(90.0), [on_margin(a) for a in (-80.0, -30.0, 0.0, 60.0)] + [DROP + 1.2 * OUT])
    assert found == [True] * 4 + [False]


@pytest.mark.parametrize(("reach_deg", "far"), [(0.0, False), (20.0, False), (70.0, True)])
def test_what_ends_within_a_few_millimetres_is_no_ridge(reach_deg: float, far: bool) -> None:
    assert told(wall(reach_deg), [on_margin(0.0)]) == [far]


def test_order_and_sharing_of_triangles_do_not_decide() -> None:
    mesh, rng = wall(90.0), np.random.default_rng(2)
    mixed = rng.permutation(len(mesh.vertices))
    turned = mesh.faces[rng.permutation(len(mesh.faces))][:, [1, 2, 0]]
    again = Mesh(mesh.vertices[mixed], np.argsort(mixed)[turned].astype(np.int32))
    places = [on_margin(0.0), DROP + 1.2 * OUT]
    assert told(again, places) == told(mesh, places) == [True, False]


def test_a_round_place_on_a_ridge_is_no_drop(monkeypatch: pytest.MonkeyPatch) -> None:
    def balls(*_: object) -> list[Ball]:
        reach = np.full(12, 70.0)
        middles = ((DROP, 1.2), (on_margin(0.0) - 0.7 * OUT, 0.7))
        return [Ball(middle, OUT, radius, 0.02, reach) for middle, radius in middles]

    monkeypatch.setattr(bumps, "find_balls", balls)
    axes = np.array([[1.0, 0.0, 0.0], OUT, [0.0, 0.0, 1.0]])
    found = find_bumps(wall(90.0), np.empty((0, 3)), np.zeros(3), axes, 1, 0.3)
    assert [np.linalg.norm(bump.at - DROP) < 2.0 for bump in found] == [True]

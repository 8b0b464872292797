"""The lattice on which undercuts are measured, on bodies whose depths are known."""

import manifold3d
import numpy as np
import pytest
from scipy import ndimage

from geometry.model.bodies.cubes import zero_surface
from geometry.model.undercuts.shadow import (
    DEEPEST,
    cast_shadow,
    deep_air,
    whole_columns,
    wide_enough,
)


def test_depth_under_a_mushroom_is_the_distance_from_its_edge():
    # Head of radius 12 from z = 6 on a stem of radius 4.
    g = np.mgrid[0:64, 0:64, 0:20].astype(float)
    r = np.hypot(g[0] - 32, g[1] - 32) * 0.5
    z = g[2] * 0.5 - 1.0
    field = np.minimum(np.where(z >= 6.0, 12.0 - r, 4.0 - r), np.minimum(z, 8.0 - z))
    v, f = zero_surface(np.clip(field, -1, 1).astype(np.float32))
    v = v * 0.5 - (16.0, 16.0, 1.0)
    v[:, 2] = np.maximum(v[:, 2], 0.0)
    shadow = cast_shadow(v, f, 3.0)
    points = np.array([[9.0, 0.0, 3.0], [0.0, 10.5, 2.0], [11.5, 0.0, 1.0], [13.0, 0.0, 1.0]])
    expected = [3.0, 1.5, 0.5, 0.0]
    assert shadow.depth_at(points) == pytest.approx(expected, abs=0.15)
    # Where depths are told apart up to less, what is deeper is still told to half a column.
    near = cast_shadow(v, f, 0.25)
    assert near.depth_at(points).max() < 0.7
    i, j = np.divmod(near.cells, near.grid.ny)
    off = np.hypot(near.grid.x0 + i * near.grid.pitch, near.grid.y0 + j * near.grid.pitch)
    row = np.flatnonzero((off > 6.5) & (off < 11.5))
    told = near.depths_of(row, np.full(len(row), 15))  # 3 mm above the base
    assert np.abs(told - (12.0 - off[row])).max() < 0.25
    assert near.deepest(near.air) == pytest.approx(DEEPEST, abs=0.2)


@pytest.mark.parametrize("turn", [0.0, 31.0])
@pytest.mark.parametrize("depth", [0.1, 0.25, 0.5])
def test_a_shelf_just_as_wide_as_the_depth_is_hardly_told_as_deeper(depth, turn):
    """Its true volume beyond the depth is known in closed form: length by height by the rest."""
    length, height, step = 30.0, 5.0, whole_columns(0.1874, depth)
    column = step / 4.0

    def told(width: float) -> float:
        stem = manifold3d.Manifold.cube((length, 4.0, 8.0))
        shelf = manifold3d.Manifold.cube((length, 4.0 + width, 3.0)).translate((0, 0, height))
        body = (stem + shelf).rotate((0, 0, turn)).to_mesh64()
        v, f = np.array(body.vert_properties), np.array(body.tri_verts, dtype=np.int32)
        shadow = cast_shadow(v, f, depth, step)
        return float(deep_air(shadow, depth, 0.0).sum()) * step**3

    for off in (-0.35, 0.0):
        assert told(depth + off * column) < 0.2 * column * length * height
    assert told(depth + 3.0) == pytest.approx(3.0 * length * height, rel=0.08)


def test_a_step_is_made_to_fit_the_depth_and_never_far_finer():
    for depth in (0.1, 0.25, 0.5, 1.0):
        step = whole_columns(0.1874, depth)
        assert depth / (step / 4.0) == pytest.approx(round(depth / (step / 4.0)))
        assert 0.6 * 0.1874 <= step <= 0.1874
    assert whole_columns(0.1874, 0.0) == whole_columns(0.1874, 0.05) == 0.1874


def test_what_is_narrower_than_a_step_is_no_place_for_a_sheet():
    rng = np.random.default_rng(8)
    marked = rng.random((9, 8, 7)) < 0.75
    marked[:, 4, :] = False
    marked[2:5, 4, 2:6] = True
    marked[:, 3, :] = marked[:, 5, :] = False
    # By opening with a cube: scipy.
    cube = np.ones((2, 2, 2), dtype=bool)
    assert (wide_enough(marked) == ndimage.binary_opening(marked, cube)).all()
    assert not wide_enough(marked)[2:5, 4].any()
    assert not wide_enough(np.zeros((3, 3, 3), dtype=bool)).any()

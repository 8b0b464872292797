"""Brackets and wires on the outside of crowns are no cusps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fixtures.arches import Arch, make_arch
from geometry.frame import find_frame
from geometry.frame.arch.unroll import Unrolled
from geometry.frame.peaks.bonded import bonded_shares, hanging_shares
from geometry.frame.relief import Relief
from geometry.mesh import Mesh
from tests.geometry.frame.conftest import SPECS

CELL = 0.25
ACROSS = np.arange(-8.0, 8.01, CELL)


def relief(profile: np.ndarray) -> Relief:
    """A row along x whose height is a function of the distance across it."""
    z = np.tile(profile[:, None], (1, len(ACROSS)))
    return Relief(z, np.zeros(z.shape, dtype=np.int32), -8.0, -8.0, CELL)


def share(profile: np.ndarray, outer: float, inner: float) -> float:
    """How far the peak at ``outer`` looks bonded to the crown at ``inner``."""
    height = np.interp([outer, inner], ACROSS, profile)
    points = np.array([[0.0, outer, height[0]], [0.0, inner, height[1]]])
    out = bonded_shares(relief(profile), points, points[:, :2], points, points[:, :2])
    assert out[1] == 0.0, "the crown itself is not bonded to anything"
    return float(out[0])


def test_a_block_low_on_the_outer_wall_is_bonded() -> None:
    wall = np.interp(ACROSS, [-3.0, 0.0, 2.0, 2.2, 3.6, 3.8], [-6.0, 0.0, -2.5, -2.4, -2.3, -7.0])
    assert share(wall, 3.5, 0.0) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("heights", "outer", "inner", "why"),
    [
        ([-6.0, 0.0, -2.0, -0.8, -6.0], 2.5, -2.5, "a fissure lies between, and it is far"),
        ([-6.0, 0.0, -1.6, -0.2, -6.0], 2.0, -2.0, "hardly lower, with a fissure between"),
        ([-6.0, -0.8, -0.9, 0.0, -6.0], 2.0, -2.0, "higher than what lies farther in"),
    ],
)
def test_a_cusp_is_not_bonded(heights: list[float], outer: float, inner: float, why: str) -> None:
    assert share(np.interp(ACROSS, [-5.0, inner, 0.0, outer, 5.0], heights), outer, inner) == 0, why


def row(crest_at: float) -> Unrolled:
    s, t = np.arange(-20.0, 20.0, 0.25), np.arange(-16.0, 16.0, 0.3)
    height = np.tile(-np.abs(t - crest_at), (len(s), 1))
    line = np.stack([s, np.zeros_like(s)], axis=1)
    return Unrolled(s, t, height, line, np.ones(len(s), dtype=np.bool_))


@pytest.mark.parametrize(
    ("across", "height", "told"),
    [(3.0, -3.0, 1.0), (3.0, -0.5, 0.0), (-3.0, -3.0, 0.0), (0.3, -3.0, 0.0), (6.0, -3.0, 0.0)],
)
def test_a_wire_hangs_outside_the_row_and_below_it(
    across: float, height: float, told: float
) -> None:
    points = np.array([[0.0, 0.0, height]])
    places = np.array([[0.0, across]])
    assert hanging_shares(row(0.0), points, places)[0] == pytest.approx(told)


def with_blocks(arch: Arch) -> Mesh:
    """The arch with a block on the outer wall of every crown but the last ones."""
    vertices, up = arch.mesh.vertices.copy(), arch.truth.occlusal
    middles = np.array([np.asarray(tooth.tips).mean(axis=0) for tooth in arch.truth.teeth])
    for k in range(1, len(middles) - 1):
        along = middles[k + 1] - middles[k - 1]
        along -= (along @ up) * up
        along /= np.linalg.norm(along)
        out = np.cross(along, up)
        out *= np.sign(out @ (middles[k] - middles[[0, -1]].mean(axis=0)))
        at = vertices - middles[k]
        low = (at @ up < -2.0) & (at @ up > -4.0)
        vertices[low & (np.abs(at @ along) < 2.0) & (at @ out > 0.5) & (at @ out < 7.0)] += (
            2.5 * out
        )
    return Mesh(vertices, arch.mesh.faces)


def test_blocks_on_all_teeth_do_not_tilt_the_plane() -> None:
    arch = make_arch(replace(SPECS["lower"], triangles=60_000), 40)
    found = find_frame(with_blocks(arch))
    assert np.degrees(np.arccos(found.occlusal @ arch.truth.occlusal)) < 1.2
    assert found.tilt_sd_deg < 2.5

"""What stands far under a plane of the other teeth, and signs that contradict each other."""

from __future__ import annotations

import importlib
from dataclasses import replace

import numpy as np
import pytest

from geometry.axes import own_axes
from geometry.frame import find_frame
from geometry.frame.arch.side import tell_side
from geometry.frame.arch.unroll import STEP_S_MM, STEP_T_MM, Unrolled
from geometry.frame.arch.vault import Vault
from geometry.frame.peaks.weighing import standing_out
from geometry.frame.plane import find_plane
from geometry.frame.relief import basis_of, relief_of
from geometry.frame.surface import Surface, take_surface
from geometry.frame.tips import Tips, edge_tips
from geometry.mesh import Mesh

frame_module = importlib.import_module("geometry.frame.frame")


def test_a_rounded_ridge_has_its_edge_on_top() -> None:
    x, y = np.meshgrid(np.arange(-6.0, 6.01, 0.1), np.arange(-9.0, 9.01, 0.1), indexing="ij")
    z = -0.35 * x**2 + np.where(y > 4.0, -3.0, 0.0)
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    surface = Surface(points, np.zeros(len(points), dtype=bool), np.zeros(3))
    relief, _ = relief_of(surface, np.eye(3), 0.35)
    high = edge_tips(surface, relief, -1.0)
    assert len(high.points) >= 4
    assert np.abs(high.points[:, 0]).max() < 0.4
    assert high.points[:, 1].max() < 4.2
    gaps = np.diff(np.sort(high.points[:, 1]))
    assert (gaps > 1.9).all()
    assert edge_tips(surface, relief, -5.0).points[:, 1].max() > 4.2


def test_incisal_edges_under_a_plane_of_the_back_teeth_count(arches, monkeypatch) -> None:
    """An open bite: the front of an arch drawn down, its edges missed when the plane was found."""
    arch, drop = arches["upper"], 3.5
    truth = arch.truth

    def drawn(points):
        front = np.clip(((points - truth.origin) @ truth.anterior + 16.0) / 6.0, 0.0, 1.0)
        return points - np.outer(drop * front, truth.occlusal)

    mesh = Mesh(drawn(arch.mesh.vertices), arch.mesh.faces)
    own = own_axes(take_surface(mesh).points)

    def of_back_teeth(surface):
        found = find_plane(surface)
        points = found.tips.points @ own + surface.centre
        tips = found.tips.only((points - truth.origin) @ truth.anterior < -16.0)
        axis = own @ truth.occlusal
        return replace(found, axis=axis, level=float(np.mean(tips.points @ axis)), tips=tips)

    monkeypatch.setattr(frame_module, "find_plane", of_back_teeth)
    found = find_frame(mesh, "upper").occlusal
    tips = drawn(np.concatenate([tooth.tips for tooth in truth.teeth]))
    normal = np.linalg.svd(tips - tips.mean(axis=0))[2][2]
    assert np.degrees(np.arccos(abs(normal @ truth.occlusal))) > 4.0
    assert np.degrees(np.arccos(abs(normal @ found))) < 2.5


def test_a_flat_peak_under_the_plane_is_hardly_a_tooth(arches) -> None:
    plane = find_plane(
        importlib.import_module("geometry.frame.surface").take_surface(arches["upper"].mesh)
    )
    # On the plane, deep and steep, deep and flat, deep but an edge.
    depth, fall = np.array([0.0, 2.0, 2.0, 2.0]), np.array([0.2, 1.0, 0.2, 0.2])
    across = basis_of(plane.axis)[0]
    points = np.outer(plane.level - depth, plane.axis) + np.outer(np.arange(4.0), across)
    tips = Tips(points, fall, np.array([False, False, False, True]))
    counts = standing_out(replace(plane, tips=tips))
    assert counts == pytest.approx([1.0, 1.0, 0.1, 1.0])


@pytest.mark.parametrize(
    ("lean", "named"),
    [
        (-0.9, "lower"),  # narrow teeth whose cusps lean to the tongue
        (-0.4, "unknown"),  # narrow teeth that stand upright: crowded upper ones?
    ],
)
def test_narrow_teeth_alone_are_no_lower_arch(lean: float, named: str, monkeypatch) -> None:
    side = importlib.import_module("geometry.frame.arch.side")
    monkeypatch.setattr(side, "row_evidence", lambda row: (0.0, 2.5))
    s = np.arange(-55.0, 55.0, STEP_S_MM)
    t = np.arange(-16.0, 16.1, STEP_T_MM)
    height = np.full((s.size, t.size), -12.0)
    height[:, (t > 1.0) & (t < 4.0)] = 0.0
    height[:, (t < -1.0) & (t > -4.0)] = lean
    height[:, t < -7.0] = np.nan
    row = Unrolled(s, t, height, np.column_stack([s, 0 * s]), np.ones(s.size, dtype=bool))
    flat = np.column_stack([s, -np.abs(s), 0 * s])[::20]
    assert tell_side(row, flat, Vault(0.0, np.nan, np.nan), 1.0, True).value == named

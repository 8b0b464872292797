"""Thin films between two crowns are told by the air before and behind them.

Two crowns are round pillars of trimesh (its own bodies, wound outward) apart by .8 mm; a film is a
box of .4 mm, as thick as moisture between teeth is seen; sizes are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.sampling.webs import Groove, Web, find_webs

Array = NDArray[np.float64]

UP, ALONG, OUT = np.eye(3)[2], np.eye(3)[0], np.eye(3)[1]
GUM_MM, TOP_MM, RADIUS_MM, APART_MM = -8.0, 0.0, 3.5, 0.8


def pillar(x: float) -> trimesh.Trimesh:
    body = trimesh.creation.cylinder(RADIUS_MM, 12.0, sections=48)
    return body.apply_translation([x, 0.0, -6.0])


def box(size: tuple[float, float, float], at: tuple[float, float, float]) -> trimesh.Trimesh:
    return trimesh.creation.box(size).apply_translation(at)


def told(
    *between: trimesh.Trimesh, crowns: int = 2, wound: int = 1, turn: Array | None = None
) -> tuple[Web, ...]:
    """Films told between crowns, with other bodies between them, seen from one side."""
    aside = RADIUS_MM + 0.5 * APART_MM
    bodies = [pillar(side * aside) for side in (-1.0, 1.0)[:crowns]] + list(between)
    parts = [trimesh.remesh.subdivide_to_size(b.vertices, b.faces, 0.6) for b in bodies]
    points, faces = trimesh.util.append_faces([p for p, _ in parts], [f for _, f in parts])
    if wound < 0:
        faces = faces[:, ::-1]
    turn = np.eye(3) if turn is None else turn
    groove = Groove(np.zeros(3), turn @ ALONG, turn @ OUT, GUM_MM, TOP_MM)
    points = np.asarray(points, dtype=np.float64) @ turn.T
    mesh = Mesh(points, np.ascontiguousarray(faces, dtype=np.int32))
    return find_webs(mesh, np.empty((0, 3)), turn @ UP, wound, [groove])


def gum() -> trimesh.Trimesh:
    return box((14.0, 7.0, 2.0), (0.0, 0.0, GUM_MM - 1.0))


@pytest.mark.parametrize("wound", [1, -1])
@pytest.mark.parametrize("thick", [0.3, 0.7])
def test_a_film_that_runs_down_to_the_gum_is_told_where_it_is_thin(
    thick: float, wound: int
) -> None:
    film = box((2.0, thick, 3.0), (0.0, 1.4, GUM_MM + 1.5))
    (found,) = told(gum(), film, wound=wound)
    assert found.at == pytest.approx([0.0, 1.4, GUM_MM + 1.5], abs=0.3)
    assert found.thin
    assert found.height_mm == pytest.approx(3.0, abs=0.3)
    assert APART_MM - 0.2 < found.width_mm < 2.0


def test_what_is_as_thick_as_a_papilla_is_none() -> None:
    assert told(gum(), box((2.0, 1.0, 3.0), (0.0, 1.4, GUM_MM + 1.5))) == ()


def test_nothing_between_the_crowns_is_none() -> None:
    assert told(gum()) == ()


def test_less_than_a_square_millimetre_is_none() -> None:
    assert told(gum(), box((2.0, 0.4, 0.7), (0.0, 1.4, GUM_MM + 2.0))) == ()


def test_a_thin_edge_at_the_top_is_the_edge_of_a_tooth() -> None:
    assert told(gum(), box((2.0, 0.4, 3.0), (0.0, 1.4, TOP_MM - 1.6))) == ()


def test_a_thin_edge_at_the_gum_line_is_the_margin() -> None:
    assert told(box((2.0, 0.4, 3.0), (0.0, 1.4, GUM_MM))) == ()


def test_a_fin_of_one_crown_is_none() -> None:
    assert told(gum(), box((2.0, 0.4, 3.0), (0.0, 1.4, GUM_MM + 1.5)), crowns=1) == ()


def test_from_the_other_side_it_is_told_from_there() -> None:
    assert told(gum(), box((2.0, 0.4, 3.0), (0.0, -1.4, GUM_MM + 1.5))) == ()


def test_a_thin_film_is_told_however_the_scan_lies() -> None:
    film = box((2.0, 0.4, 3.0), (0.0, 1.4, GUM_MM + 1.5))
    turn = np.linalg.qr(np.array([[1.0, 2.0, 0.3], [-0.4, 1.0, 2.0], [2.0, -0.1, 0.7]]))[0]
    turn *= np.sign(np.linalg.det(turn))
    (plain,), (found,) = told(gum(), film), told(gum(), film, turn=turn)
    assert turn.T @ found.at == pytest.approx(plain.at, abs=0.1)
    assert found.height_mm == pytest.approx(plain.height_mm, abs=0.2)

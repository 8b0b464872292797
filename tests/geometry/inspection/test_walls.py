"""A wall that software added around a scan is not taken for gum."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from fixtures.arches import ArchSpec, make_arch
from geometry.inspection import inspect_scan
from geometry.mesh import Mesh
from geometry.reading import write_stl


@pytest.fixture(scope="module")
def arch():
    spec = ArchSpec(arch="upper", triangles=40_000, pose="random", captured=4.0)
    return make_arch(spec, 43)


def with_wall(mesh: Mesh, down: np.ndarray, rows: int) -> Mesh:
    """Walls of ``rows`` rows of triangles from the border 10 mm along ``down``."""
    edges = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    _, inverse, count = np.unique(
        np.sort(edges, axis=1), axis=0, return_inverse=True, return_counts=True
    )
    border = edges[count[inverse.reshape(-1)] == 1]
    ring, number = np.unique(border, return_inverse=True)
    number = number.reshape(-1, 2)
    levels = [mesh.vertices[ring] + 10.0 * k / rows * down for k in range(1, rows + 1)]
    place = [ring] + [
        len(mesh.vertices) + k * len(ring) + np.arange(len(ring)) for k in range(rows)
    ]
    faces = [mesh.faces]
    for above, below in pairwise(place):
        a, b = number.T
        faces.append(np.stack([above[b], above[a], below[a]], axis=1))
        faces.append(np.stack([above[b], below[a], below[b]], axis=1))
    vertices = np.concatenate([mesh.vertices, *levels])
    return Mesh(vertices, np.concatenate(faces).astype(np.int32))


def codes(mesh: Mesh) -> set[str]:
    return {one.code for one in inspect_scan(write_stl(mesh), "scan.stl", arch="upper").findings}


@pytest.mark.parametrize("rows", [1, 20])
def test_a_straight_wall_around_a_scan_stops_it(arch, rows: int) -> None:
    report = inspect_scan(
        write_stl(with_wall(arch.mesh, -arch.truth.occlusal, rows)), "scan.stl", arch="upper"
    ).report
    assert report["verdict"] == "rescan"
    assert "added_wall" in {one["code"] for one in report["findings"]}


def test_a_wall_may_lean(arch) -> None:
    down = -arch.truth.occlusal + 0.4 * arch.truth.right
    assert "added_wall" in codes(with_wall(arch.mesh, down / np.linalg.norm(down), 12))


def test_a_scan_without_a_wall_has_none(arch) -> None:
    assert "added_wall" not in codes(arch.mesh)

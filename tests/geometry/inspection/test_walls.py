"""A wall that software added around a scan is not taken for gum."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from fixtures.arches import ArchSpec, make_arch, random_spec
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


def on_a_table(mesh: Mesh, down: np.ndarray, teeth: np.ndarray, rows: int) -> Mesh:
    """The wall goes down to one level and on over a table, 3 mm away from the teeth, scanned."""
    level = (mesh.vertices @ down).max() + 9.0
    walled = with_wall(mesh, down, rows)
    vertices, n = walled.vertices.copy(), len(mesh.vertices)
    part = np.arange(len(vertices) - n) // ((len(vertices) - n) // rows)
    top = vertices[n:] @ down - 10.0 * (part + 1) / rows
    onto = np.minimum((part + 1) / (rows - 6), 1.0) * (level - top) - 10.0 * (part + 1) / rows
    vertices[n:] += onto[:, None] * down
    ring = vertices[n : n + (len(vertices) - n) // rows]
    away = np.linalg.norm(ring[:, None] - teeth[None], axis=2)
    out = np.tile(ring - teeth[away.argmin(axis=1)], (rows, 1))
    out -= (out @ down)[:, None] * down
    out /= np.linalg.norm(out, axis=1)[:, None]
    vertices[n:] += 0.5 * np.maximum(part + 1 - (rows - 6), 0.0)[:, None] * out
    vertices[n:] += np.random.default_rng(3).normal(0.0, 0.02, (len(out), 3))
    return Mesh(vertices, walled.faces)


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


def test_a_plaster_model_on_a_table_is_named_and_stopped(arch) -> None:
    teeth = np.concatenate([tooth.tips for tooth in arch.truth.teeth])
    scan = on_a_table(arch.mesh, -arch.truth.occlusal, teeth, 40)
    inspection = inspect_scan(write_stl(scan), "scan.stl", arch="upper")
    named = [one for one in inspection.findings if one.code == "added_wall"]
    assert len(named) == 1
    assert "plaster" in named[0].message
    assert "table" in named[0].message
    assert inspection.report["verdict"] == "rescan"
    tissue = inspection.report["tissue"]
    assert tissue["status"] == "uncertain"
    assert "walls" in tissue["reason"]


@pytest.mark.parametrize("seed", [102, 108])
def test_much_gum_that_runs_straight_down_is_no_wall(seed: int) -> None:
    spec = random_spec(
        seed, arch="upper", gaps="none", short_places="none", recession=False, clean=True
    ).but(triangles=40_000, captured=13.0, captured_sd=0.4, last_tooth=(7, 7), palate=False)
    assert "added_wall" not in codes(make_arch(spec, seed).mesh)


def test_gum_that_falls_steeply_all_around_is_no_wall(arch) -> None:
    # Straight down but for bulges as of roots: the surface turns by up to 5 degrees from there.
    rows, down = 20, -arch.truth.occlusal
    walled = with_wall(arch.mesh, down, rows)
    vertices, n = walled.vertices.copy(), len(arch.mesh.vertices)
    level = np.arange(len(vertices) - n) // ((len(vertices) - n) // rows)
    outward = vertices[n:] - arch.truth.origin
    outward -= (outward @ down)[:, None] * down
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    bulge = 0.09 * np.sin(2.0 * np.pi * (level + 1) / 13.0)
    vertices[n:] += bulge[:, None] * outward
    assert "added_wall" not in codes(Mesh(vertices, walled.faces))

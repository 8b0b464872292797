"""Sheets of two scan passes that go through each other: how many, where, in any pose."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fixtures.arches import Arch
from geometry.inspection import Inspection, inspect_scan
from geometry.inspection.findings.finding import Finding
from geometry.mesh import Mesh
from geometry.reading import write_stl


def with_second_passes(mesh: Mesh, places: list[tuple[np.ndarray, float]]) -> Mesh:
    """Scan the surface around each place once more, a little tilted: it goes through the first."""
    vertices, faces = [mesh.vertices], [mesh.faces]
    start = len(mesh.vertices)
    for middle, reach in places:
        near = np.linalg.norm(mesh.vertices - middle, axis=1) < reach
        taken = mesh.faces[near[mesh.faces].all(axis=1)]
        used, numbers = np.unique(taken, return_inverse=True)
        tilted = Rotation.from_euler("xyz", [2.0, 1.5, 1.0], degrees=True)
        centre = mesh.vertices[used].mean(axis=0)
        vertices.append(tilted.apply(mesh.vertices[used] - centre) + centre)
        faces.append(numbers.reshape(-1, 3) + start)
        start += len(used)
    return Mesh(np.concatenate(vertices), np.concatenate(faces).astype(np.int32))


def crossing(found: Inspection) -> Finding:
    (finding,) = (f for f in found.findings if f.code == "crossing_triangles")
    return finding


@pytest.fixture(scope="module")
def doubled(lower: Arch, lower_found: Inspection) -> tuple[Mesh, np.ndarray]:
    assert lower_found.dentition is not None
    centres = {tooth.number: tooth.centre for tooth in lower_found.dentition.teeth}
    return with_second_passes(lower.mesh, [(centres[36], 7.0), (centres[44], 3.0)]), centres[36]


@pytest.mark.parametrize("seed", [0, 1])
def test_doubled_sheets_are_told_where_most_of_them_is(
    doubled: tuple[Mesh, np.ndarray], seed: int
) -> None:
    mesh, middle = doubled
    rng = np.random.default_rng(seed)
    turned = Rotation.random(random_state=seed)
    faces = rng.permutation(mesh.faces) if seed else mesh.faces
    posed = Mesh(turned.apply(mesh.vertices), faces)
    finding = crossing(inspect_scan(write_stl(posed), "lower.stl", arch="lower"))
    assert "the largest" in finding.message
    assert "lower left first molar" in finding.message
    assert finding.sextant == "06"
    assert np.linalg.norm(np.array(finding.at) - turned.apply(middle)) < 7.0


def test_a_single_surface_passes_through_nothing(lower_found: Inspection) -> None:
    assert all(f.code != "crossing_triangles" for f in lower_found.findings)

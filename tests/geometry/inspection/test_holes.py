"""Holes are told by their width; cracks that close over by themselves are only counted."""

import numpy as np
import pytest

from geometry.inspection.limits import DEFAULT_LIMITS
from geometry.inspection.place import Place
from geometry.inspection.surface_findings import hole_findings
from geometry.mesh import Mesh
from geometry.topology import analyse

STEP = 0.25


def sheet(opened: np.ndarray, half: float) -> Mesh:
    """A flat sheet, opened along the middle line by ``half`` mm to either side.

    ``opened`` (n,) says for each place along the line whether it is open.
    """
    n = len(opened)
    x, y = np.meshgrid(np.arange(n) * STEP, np.arange(-12, 13) * STEP, indexing="ij")
    rows = x.shape[1]
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    middle = np.arange(n) * rows + rows // 2
    twin = np.where(opened, len(points) + np.cumsum(opened) - 1, middle)
    points = np.concatenate([points, points[middle[opened]] + [0.0, half, 0.0]])
    points[middle[opened], 1] -= half
    a = (np.arange(n - 1)[:, None] * rows + np.arange(rows - 1)).ravel()
    upper = np.arange(len(points))
    upper[middle] = twin
    above = np.tile(np.arange(rows - 1) >= rows // 2, n - 1)
    quads = np.stack([a, a + rows, a + rows + 1, a + 1], axis=1)
    quads = np.where(above[:, None], upper[quads], quads)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return Mesh(points, faces.astype(np.int32))


def findings(mesh: Mesh):  # type: ignore[no-untyped-def]
    topology = analyse(mesh, self_intersections=False)
    return hole_findings(topology, lambda point: Place(None, None, "here"), DEFAULT_LIMITS)


def opened(*stretches: tuple[int, int]) -> np.ndarray:
    line = np.zeros(80, dtype=bool)
    for first, last in stretches:
        line[first:last] = True
    return line


def test_cracks_are_one_note_with_the_longest() -> None:
    (found,) = findings(sheet(opened((10, 20), (40, 46)), 0.02))
    assert (found.code, found.severity) == ("hole", "note")
    assert "2 cracks" in found.message
    assert "2.8 mm long" in found.message  # 11 edges of 0.25 mm


@pytest.mark.parametrize(("last", "severity"), [(14, "check"), (40, "stop")])
def test_a_hole_is_told_by_its_width_not_by_its_length(last: int, severity: str) -> None:
    """Ends taper over one edge, so a slot of half width h has 4 area / perimeter near 4 h."""
    (found,) = findings(sheet(opened((10, last)), 0.12))
    assert found.severity == severity
    width = float(found.message.split("about ")[1].split(" mm")[0])
    assert width == pytest.approx(4 * 0.12, abs=0.11)


def test_a_long_crack_is_looked_at() -> None:
    (found,) = findings(sheet(opened((10, 60)), 0.02))
    assert found.severity == "check"

"""Holes are told by their width; cracks that close over by themselves are only counted."""

from types import SimpleNamespace

import numpy as np
import pytest

from geometry.inspection.findings.hole_places import between_of
from geometry.inspection.findings.holes import hole_findings, hole_width
from geometry.inspection.limits import DEFAULT_LIMITS
from geometry.inspection.place import Place
from geometry.mesh import Mesh
from geometry.topology import Loop, analyse

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


def findings(mesh: Mesh, below: float = 0.0, between: bool = False):  # type: ignore[no-untyped-def]
    topology = analyse(mesh, self_intersections=False)
    return hole_findings(
        topology,
        lambda point: Place(None, None, "here"),
        DEFAULT_LIMITS,
        lambda rim: below,
        lambda rim: between,
    )


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


@pytest.mark.parametrize(
    ("last", "half", "severity"),
    [(14, 0.12, "check"), (40, 0.12, "check"), (14, 0.5, "check"), (40, 0.5, "stop")],
)
def test_a_hole_is_told_by_its_width_not_by_its_length_alone(
    last: int, half: float, severity: str
) -> None:
    """Ends taper over one edge, so a slot of half width h has 4 area / perimeter near 4 h."""
    (found,) = findings(sheet(opened((10, last)), half))
    assert found.severity == severity
    width = float(found.message.split("about ")[1].split(" mm")[0])
    assert width == pytest.approx(4 * half, rel=0.45)


def test_slits_between_teeth_are_one_note_and_wide_holes_there_are_looked_at() -> None:
    slits = sheet(opened((10, 20), (30, 60)), 0.12)
    (found,) = findings(slits, between=True)
    assert found.severity == "note"
    assert "2 slits, the longest 7.8 mm long" in found.message
    assert "between teeth" in found.message
    assert [f.severity for f in findings(slits)] == ["check", "check"]
    assert findings(sheet(opened((10, 40)), 0.4), between=True)[0].severity == "check"
    assert findings(sheet(opened((10, 40)), 1.0), between=True)[0].severity == "stop"


def test_a_long_crack_is_looked_at() -> None:
    (found,) = findings(sheet(opened((10, 60)), 0.02))
    assert found.severity == "check"


def test_a_hole_far_below_the_gum_line_is_a_note() -> None:
    slot = sheet(opened((10, 40)), 0.5)
    assert findings(slot, below=5.0)[0].severity == "stop"
    (found,) = findings(slot, below=7.0)
    assert found.severity == "note"
    assert "below the gum line" in found.message


def test_a_twisted_rim_is_not_taken_for_a_crack() -> None:
    """Two lobes that turn against each other have no area between them, but are open."""
    turn = np.linspace(0.0, 2.0 * np.pi, 80, endpoint=False)
    eight = np.column_stack([3.0 * np.sin(turn), 3.0 * np.sin(turn) * np.cos(turn), 0.0 * turn])
    line = np.column_stack([3.0 * np.cos(turn), 0.0 * turn, 0.0 * turn])
    nothing = Loop(np.arange(80, dtype=np.int32), 16.0, 0.0, np.zeros(3))
    assert hole_width(eight, nothing) > 0.4
    assert hole_width(line, nothing) < 0.05


def test_of_many_holes_the_largest_are_told_one_by_one() -> None:
    many = sheet(opened(*((first, first + 3) for first in range(4, 76, 5))), 0.4)
    found = findings(many)
    assert len(found) == 5
    assert found[-1].message.startswith("11 more holes")
    assert "export again" not in " ".join(f.message for f in found)


def test_a_torn_surface_is_to_be_exported_again() -> None:
    line = np.zeros(200, dtype=bool)
    line[4:196] = np.arange(192) % 6 < 4
    found = findings(sheet(line, 0.4))
    assert "torn in 32 places: export again" in found[0].message


def test_what_lies_between_two_crowns_is_told_from_what_lies_on_one() -> None:
    """Two crowns 8 mm wide that touch at the origin, a third one 4 mm beyond them."""
    frame = SimpleNamespace(to_local=lambda points: points)
    teeth = [
        SimpleNamespace(centre=np.array([x, 0.0, 0.0]), width_mm=8.0) for x in (-4.0, 4.0, 16.0)
    ]
    between = between_of(frame, SimpleNamespace(teeth=teeth))
    turn = np.linspace(0.0, 2.0 * np.pi, 30, endpoint=False)
    ring = np.column_stack([0.3 * np.cos(turn), 3.0 * np.sin(turn), 0.0 * turn])
    assert between(ring)
    assert between(ring + [1.5, 4.0, -5.0])
    assert not between(ring + [3.5, 0.0, 0.0])  # on a crown
    assert not between(ring + [10.0, 0.0, 0.0])  # in a space
    assert not between(ring + [0.0, 12.0, 0.0])  # on the palate
    assert between_of(frame, SimpleNamespace(teeth=teeth[:1])) is None


def tube(length: float, opening: float = 0.0) -> Mesh:
    """A tube 20 mm wide and ``length`` long, open at both ends, perhaps with a hole in its side."""
    around, along = 64, round(length)
    turn, z = np.meshgrid(2 * np.pi * np.arange(around) / around, np.arange(along), indexing="ij")
    points = np.stack([20 * np.cos(turn), 20 * np.sin(turn), z], axis=2).reshape(-1, 3)
    k, m = np.meshgrid(np.arange(around), np.arange(along - 1), indexing="ij")
    a, b = (k * along + m).ravel(), ((k + 1) % around * along + m).ravel()
    faces = np.concatenate([np.stack([a, b, b + 1], axis=1), np.stack([a, b + 1, a + 1], axis=1)])
    away = np.linalg.norm(points[faces].mean(axis=1) - [20.0, 0.0, length / 2], axis=1)
    return Mesh(points, faces[away > opening].astype(np.int32))


def test_a_second_border_as_long_as_the_first_is_a_band_not_a_hole() -> None:
    """Each end of the tube is 2 π 20 = 126 mm around."""
    (found,) = findings(tube(30.0))
    assert (found.code, found.severity) == ("hole", "check")
    assert "126 and 126 mm around" in found.message


def test_a_long_hole_beside_longer_borders_is_still_a_hole() -> None:
    found = findings(tube(60.0, 12.0))
    assert [one.severity for one in found] == ["stop", "check"]

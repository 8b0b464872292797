"""Cheek and tongue scanned along with an arch are told, left out, and change nothing else.

Folds are drawn out of the border of a generated arch: outward or inward, then up (common
appearance of scans, no source).
"""

import numpy as np
import pytest

from fixtures.arches import Arch
from geometry.frame import clear, find_frame
from geometry.frame.surface import take_surface
from geometry.inspection import Inspection, inspect_scan
from geometry.mesh import Mesh
from geometry.model import ModelSettings, prepare
from geometry.reading import write_stl
from geometry.topology import analyse


def with_fold(found: Inspection, chosen: np.ndarray, rows: list[np.ndarray]) -> Mesh:
    """Go on from the chosen border points over further rows of points, in the frame's axes."""
    main, loop = found.topology.main, found.topology.border.vertices
    axes = found.frame
    away = [
        axes.origin + row @ np.stack([axes.right, axes.anterior, axes.occlusal]) for row in rows
    ]
    n = len(loop)
    vertices = np.concatenate([main.vertices, *away])
    added = len(main.vertices) + np.arange(len(rows) * n).reshape(-1, n)
    number = np.concatenate([loop[None], added])
    pair = np.flatnonzero(chosen & np.roll(chosen, -1))
    a, b = number[:-1, pair], number[:-1, (pair + 1) % n]
    c, d = number[1:, pair], number[1:, (pair + 1) % n]
    more = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, d, b), (a, c, d))])
    faces = np.concatenate([main.faces, more.astype(np.int32)])
    used, inverse = np.unique(faces, return_inverse=True)
    return Mesh(vertices[used], inverse.reshape(-1, 3).astype(np.int32))


@pytest.fixture(scope="module")
def border(lower_found: Inspection) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Border points in the frame, which of them lie outside of the row, and outward directions."""
    frame, loop = lower_found.frame, lower_found.topology.border.vertices
    local = frame.to_local(lower_found.topology.main.vertices[loop])
    teeth = frame.to_local(np.array([t.centre for t in lower_found.dentition.teeth]))
    away = local[:, None, :2] - teeth[:, :2]
    near = away[np.arange(len(local)), np.linalg.norm(away, axis=2).argmin(axis=1)]
    inside = np.array([0.0, -0.6 * frame.depth_mm])
    outside = (near * (local[:, :2] - inside)).sum(axis=1) > 0.0
    flat = near / np.linalg.norm(near, axis=1)[:, None]
    return local, outside, np.column_stack([flat, 0.0 * local[:, 0]])


def test_a_cheek_is_told_and_left_out(lower_found: Inspection, border) -> None:
    local, outside, outward = border
    chosen = outside & (local[:, 0] > 15.0) & (local[:, 1] < -12.0) & (local[:, 1] > -36.0)
    rows = [local + step * outward for step in (1.0, 2.0, 3.0, 4.0)]
    up = np.outer(2.0 - local[:, 2], [0.0, 0.0, 1.0])
    rows += [rows[3] + share * up for share in np.linspace(0.1, 1.0, 12)]
    found = inspect_scan(write_stl(with_fold(lower_found, chosen, rows)), "c.stl", arch="lower")
    (told,) = (f for f in found.findings if f.code == "soft_tissue")
    assert "Cheek or lip" in told.message
    assert "lower right" in told.message
    assert {f.code for f in found.findings if f.severity == "stop"} == {
        f.code for f in lower_found.findings if f.severity == "stop"
    }
    assert found.frame.occlusal @ lower_found.frame.occlusal > np.cos(np.radians(0.5))
    # Gum is measured to the valley, not up the fold.
    for tooth, same in zip(found.dentition.teeth, lower_found.dentition.teeth, strict=True):
        assert tooth.number == same.number
        gum, before = tooth.side("facial").captured_mm, same.side("facial").captured_mm
        assert gum == pytest.approx(before, abs=1.2)


def test_a_tongue_is_told_and_left_out_of_the_model(lower_found: Inspection, border) -> None:
    local, outside, _ = border
    middle = np.array([0.0, 1.0, 1.0])
    rows = []
    for share in np.linspace(0.1, 1.0, 15):
        row = local * (1.0 - share * (1.0 - middle))
        row[:, 2] += min(1.0, 3.0 * share) * (-2.0 - local[:, 2])
        rows.append(row)
    mesh = with_fold(lower_found, ~outside & (local[:, 1] < -15.0), rows)
    frame = find_frame(analyse(mesh, self_intersections=False).main)
    assert frame.arch == "lower"
    cleared = clear(analyse(mesh, self_intersections=False), frame)
    assert max(cleared.set_aside, key=lambda piece: piece.area_mm2).lingual
    model = prepare(mesh, ModelSettings(arch="lower"))
    assert any("tongue" in words for words in model.report["warnings"])
    inner = model.solid.vertices[np.abs(model.solid.vertices[:, 0]) < 4.0]
    back = inner[inner[:, 1] > inner[:, 1].min() + 15.0]
    assert not len(back) or back[:, 2].max() < 10.0  # no tongue stands in it


def test_an_inside_that_software_closed_flat_turns_nothing_over(
    lower_found: Inspection, border
) -> None:
    _, outside, _ = border
    main, within = lower_found.topology.main, lower_found.topology.border.vertices[~outside]
    fan = np.stack([np.full(len(within) - 2, within[0]), within[1:-1], within[2:]], axis=1)
    closed = Mesh(main.vertices, np.concatenate([main.faces, fan.astype(np.int32)]))
    seen, alone = take_surface(closed), take_surface(main)
    # Hardly a point lies within the patch, and the scan ends where it did.
    assert len(seen.points) < 1.1 * len(alone.points)
    assert seen.border.sum() > 0.95 * alone.border.sum()
    frame = find_frame(closed)
    assert frame.found_arch == "lower"
    assert frame.occlusal @ lower_found.frame.occlusal > np.cos(np.radians(0.5))


def test_a_clean_arch_has_none(lower_found: Inspection, upper: Arch) -> None:
    assert lower_found.frame.flaps is None
    assert find_frame(upper.mesh).flaps is None

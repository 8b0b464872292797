"""Two scans of one mouth are recognised; another mouth and a mirror image are not."""

from __future__ import annotations

import dataclasses
import importlib
import json
import re

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.compare import compare, register
from geometry.compare.compare import judge
from geometry.compare.register import prepare
from geometry.compare.samples import Samples
from geometry.errors import GeometryError
from geometry.mesh import Mesh


def part(mesh: Mesh, direction, share: float) -> Mesh:
    """Keep the given share of the vertices, the farthest along ``direction``."""
    along = mesh.vertices @ np.asarray(direction)
    keep = along >= np.quantile(along, 1.0 - share)
    faces = mesh.faces[keep[mesh.faces].all(axis=1)]
    used, faces = np.unique(faces, return_inverse=True)
    return Mesh(mesh.vertices[used], faces.reshape(-1, 3).astype(np.int32))


def off(transform, a, b) -> tuple[float, float]:
    """Degrees and millimetres between a found transform and the planted one."""
    error = np.asarray(transform) @ b.truth.pose @ np.linalg.inv(a.truth.pose)
    turn = np.degrees(np.arccos(np.clip((np.trace(error[:3, :3]) - 1) / 2, -1.0, 1.0)))
    middle = a.truth.origin
    return float(turn), float(np.linalg.norm(error[:3, :3] @ middle + error[:3, 3] - middle))


def test_rescan_with_moved_teeth_is_the_same_mouth(scans):
    a, b = scans["first"], scans["later"]
    result = compare(a.mesh, b.mesh)
    assert result["same_mouth"] == "yes"
    assert result["probability"] > 0.95
    assert result["overlap"] > 0.9
    assert "apart" not in result["reason"]
    turn, shift = off(result["transform"], a, b)
    assert turn < 1.0
    assert shift < 0.4


@pytest.mark.parametrize(("side", "name"), [(1.0, "right"), (-1.0, "left")])
def test_a_repeat_scan_bent_on_one_side_tells_which(scans, side, name):
    # a scan stitched askew drifts towards its end: 1.5 mm over the last 20 of the teeth
    whole = scans["first"]
    truth = whole.truth
    back = -(whole.mesh.vertices - truth.origin) @ truth.anterior
    own = side * ((whole.mesh.vertices - truth.origin) @ truth.right) > 0.0
    drift = 1.5 * own * np.clip((back - back.min() - 22.0) / 20.0, 0.0, 1.0) ** 2
    bent = Mesh(whole.mesh.vertices + np.outer(drift, truth.occlusal), whole.mesh.faces)
    result = compare(whole.mesh, bent)
    assert result["same_mouth"] == "yes"
    assert f"the {name} back teeth lie up to" in result["reason"]


def test_a_repeat_scan_of_another_size_is_told_with_how_much(scans):
    # a scanner out of calibration: the teeth are the patient's, all of them 3 % too large
    grown = Mesh(scans["later"].mesh.vertices * 1.03, scans["later"].mesh.faces)
    result = compare(scans["first"].mesh, grown)
    assert result["same_mouth"] == "unsure"
    said = re.search(r"second scan is ([\d.]+)% larger", result["reason"])
    assert said is not None
    assert float(said[1]) == pytest.approx(3.0, abs=0.4)


def test_another_mouth_of_the_same_kind_is_not(scans):
    result = compare(scans["first"].mesh, scans["other"].mesh)
    assert result["same_mouth"] == "no"
    assert result["probability"] < 0.1


def test_mirror_image_is_not_the_same_mouth(scans):
    mesh = scans["later"].mesh
    mirrored = Mesh(mesh.vertices * [1.0, -1.0, 1.0], np.ascontiguousarray(mesh.faces[:, ::-1]))
    result = compare(scans["first"].mesh, mirrored)
    assert result["same_mouth"] == "no"
    assert result["mirror_probability"] > 0.9
    assert "mirror" in result["reason"]


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_partial_scan_is_registered(scans, side):
    a, b = scans["first"], scans["later"]
    piece = part(b.mesh, side * b.truth.right + 0.4 * b.truth.anterior, 0.6)
    result = compare(a.mesh, piece)
    assert result["same_mouth"] in ("yes", "unsure")
    turn, shift = off(result["transform"], a, b)
    assert turn < 2.5
    assert shift < 1.0


def test_small_part_of_another_mouth_is_never_called_different_for_sure(scans):
    b = scans["other"]
    piece = part(b.mesh, b.truth.anterior, 0.3)
    assert compare(scans["first"].mesh, piece)["same_mouth"] != "no"


def test_a_frame_that_failed_does_not_make_another_mouth_of_it(scans, monkeypatch):
    a, b = scans["first"], scans["later"]
    module = importlib.import_module("geometry.compare.compare")
    side = Rotation.from_euler("x", 100, degrees=True).as_matrix()

    def on_its_side(mesh):
        """What prepare gives when ripples beside the teeth were taken for them."""
        good = prepare(mesh)
        if mesh is a.mesh:
            return good
        samples = good.samples
        points = samples.points @ side.T
        turned = np.eye(4)
        turned[:3, :3] = side
        return dataclasses.replace(
            good,
            samples=Samples.of(points, samples.normals @ side.T, samples.border),
            to_local=turned @ good.to_local,
            tips=points[np.argsort(points[:, 2])[-400::20]],
        )

    monkeypatch.setattr(module, "prepare", on_its_side)
    result = compare(a.mesh, b.mesh)
    assert result["same_mouth"] == "yes"
    turn, shift = off(result["transform"], a, b)
    assert turn < 1.0
    assert shift < 0.4


def test_winding_does_not_matter(scans):
    a, b = scans["first"].mesh, scans["later"].mesh
    inside_out = Mesh(b.vertices, np.ascontiguousarray(b.faces[:, ::-1]))
    one, two = register(a, b), register(a, inside_out)
    np.testing.assert_allclose(one.transform[:3, :3], two.transform[:3, :3], atol=5e-3)
    assert two.rms_mm == pytest.approx(one.rms_mm, abs=0.01)


def test_exact_copy_in_another_pose(scans):
    a = scans["first"].mesh
    motion = scans["later"].truth.pose
    found = register(a, a.transformed(motion))
    np.testing.assert_allclose(found.transform @ motion, np.eye(4), atol=0.02)
    assert found.rms_mm < 0.03
    assert found.overlap > 0.99


def test_report_is_plain_json(scans):
    result = compare(scans["first"].mesh, scans["first"].mesh)
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert result["same_mouth"] == "yes"
    assert {"rms_mm", "p95_mm", "transform", "overlap", "same_mouth", "probability"} <= set(result)


def test_something_that_is_no_arch_is_refused(scans):
    flat = Mesh(
        np.array([[0, 0, 0], [40, 0, 0], [0, 40, 0], [40, 40, 0]], dtype=float),
        np.array([[0, 1, 2], [1, 3, 2]], dtype=np.int32),
    )
    with pytest.raises(GeometryError):
        compare(scans["first"].mesh, flat)


class Likeness:
    """An evidence with a given log odds."""

    def __init__(self, likeness: float, patches: int = 20) -> None:
        self.likeness = likeness
        self.crowns = type("Crowns", (), {"left_mm": np.zeros(patches)})()


@pytest.mark.parametrize(
    ("direct", "mirrored", "partial", "patches", "answer"),
    [
        (6.0, 1.0, False, 20, "yes"),
        (-5.0, -6.0, False, 20, "no"),
        (4.0, 8.0, False, 20, "no"),  # the mirror image fits better
        (4.0, 4.1, False, 20, "unsure"),  # as symmetric as can be
        (-5.0, -6.0, True, 20, "unsure"),  # a part is never called different
        (6.0, 1.0, False, 2, "unsure"),  # hardly any crowns compared
    ],
)
def test_weighing(direct, mirrored, partial, patches, answer):
    found, probability, _ = judge(Likeness(direct, patches), Likeness(mirrored), partial)
    assert found == answer
    assert 0.0 <= probability <= 1.0

"""Tilt against z, and the curve of Spee, on arches that stand in a known way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.frame import curve_of_spee, find_frame, measure_tilt


def stand(arch, pitch: float, roll: float, *, over: bool = False):
    """The mesh with its front lowered by ``pitch``, then its right side by ``roll``.

    The biting surfaces look up (down with ``over``).
    """
    truth = arch.truth
    axes = np.stack([truth.right, truth.anterior, truth.occlusal])
    if np.linalg.det(axes) < 0:
        # On an upper arch seen from the biting side the right lies on the left.
        axes[0] = -axes[0]
        roll = -roll
    turn = Rotation.from_euler("xy", [-pitch, roll], degrees=True).as_matrix()
    if over:
        turn = np.diag([-1.0, 1.0, -1.0]) @ turn
    motion = np.eye(4)
    motion[:3, :3] = turn @ axes
    return arch.mesh.transformed(motion)


@pytest.mark.parametrize("name", ["lower", "palate"])
@pytest.mark.parametrize(
    ("pitch", "roll", "over"), [(8.0, 0.0, False), (-5.0, 6.0, False), (7.0, -4.0, True)]
)
def test_tilt(arches, name, pitch, roll, over):
    frame = find_frame(stand(arches[name], pitch, roll, over=over), arch=arches[name].truth.arch)
    tilt = measure_tilt(frame)
    assert tilt.pitch_deg == pytest.approx(pitch, abs=1.2)
    assert tilt.roll_deg == pytest.approx(roll, abs=0.7)
    both = np.degrees(np.arccos(np.cos(np.radians(pitch)) * np.cos(np.radians(roll))))
    assert tilt.angle_deg == pytest.approx(both, abs=1.2)


def test_curve_of_spee_of_a_lower_arch(arches):
    lower = arches["lower"]
    found = curve_of_spee(find_frame(lower.mesh, arch="lower"))
    assert found.left_mm == pytest.approx(lower.truth.spee["left"], abs=0.5)
    assert found.right_mm == pytest.approx(lower.truth.spee["right"], abs=0.5)
    assert found.left_concave
    assert found.right_concave


def test_gum_behind_the_last_molars_ends_no_curve_of_spee(arches):
    lower = arches["lower"]
    frame = find_frame(lower.mesh, arch="lower")
    last = [int(np.argmax(side * frame.tip_places[:, 0])) for side in (-1.0, 1.0)]
    # Retromolar pads 8 mm behind the last cusps and 2 mm under them.
    pads = frame.tips[last] - 8.0 * frame.anterior - 2.0 * frame.occlusal
    facial = np.array([[-8.0, 2.0], [8.0, 2.0]])
    told = replace(
        frame,
        tips=np.concatenate([frame.tips, pads]),
        tip_places=np.concatenate([frame.tip_places, frame.tip_places[last] * [1, 0] + facial]),
        tip_on_edge=np.append(frame.tip_on_edge, [False, False]),
    )
    gum = np.arange(len(told.tips)) >= len(frame.tips)
    true, without, found = curve_of_spee(frame), curve_of_spee(told), curve_of_spee(told, gum)
    assert found == true
    assert true.left_mm is not None
    assert without.left_mm is not None
    assert abs(without.left_mm - true.left_mm) > 0.5


def test_curve_of_spee_stays_with_its_side(arches):
    mesh = arches["lower"].mesh
    frame = find_frame(mesh, arch="lower")
    swapped = find_frame(mesh, arch="upper")
    one, other = curve_of_spee(frame), curve_of_spee(swapped)
    assert one.left_mm == pytest.approx(other.right_mm, abs=0.1)
    assert one.right_mm == pytest.approx(other.left_mm, abs=0.1)


def test_no_curve_without_back_teeth(arches):
    lower = arches["lower"]
    front = (lower.mesh.vertices - lower.truth.origin) @ lower.truth.anterior
    keep = front > np.quantile(front, 0.62)
    faces = lower.mesh.faces[keep[lower.mesh.faces].all(axis=1)]
    used, faces = np.unique(faces, return_inverse=True)
    part = type(lower.mesh)(lower.mesh.vertices[used], faces.reshape(-1, 3).astype(np.int32))
    found = curve_of_spee(find_frame(part, arch="lower"))
    assert found.left_mm is None
    assert found.right_mm is None

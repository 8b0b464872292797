"""The frame of an arch is right in any pose and whatever the file does to the surface."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fixtures.mouths import make_mouth, patient, scan_of
from geometry.errors import GeometryError
from geometry.frame import find_frame
from geometry.frame.plane import OcclusalPlane, refit
from geometry.frame.tips import Tips
from geometry.mesh import Mesh

NAMES = ("lower", "upper", "palate")


def angle(a, b) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b, -1.0, 1.0))))


def cut(mesh: Mesh, keep) -> Mesh:
    """Keep the faces whose corners all satisfy ``keep`` (a vertex mask)."""
    faces = mesh.faces[keep[mesh.faces].all(axis=1)]
    used, faces = np.unique(faces, return_inverse=True)
    return Mesh(mesh.vertices[used], faces.reshape(-1, 3).astype(np.int32))


def with_base(mesh: Mesh, axis) -> Mesh:
    """Walls from the border down to a flat base, as a printed model has."""
    directed = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    _, inverse, count = np.unique(
        np.sort(directed, axis=1), axis=0, return_inverse=True, return_counts=True
    )
    border = directed[count[inverse.reshape(-1)] == 1]
    ring = np.unique(border)
    height = mesh.vertices @ axis
    foot = mesh.vertices[ring] - np.outer(height[ring] - (height.min() - 3.0), axis)
    below = {int(v): mesh.vertices.shape[0] + k for k, v in enumerate(ring)}
    centre = mesh.vertices.shape[0] + ring.size
    extra = []
    for a, b in border.tolist():
        extra += [(b, a, below[a]), (b, below[a], below[b]), (below[b], below[a], centre)]
    vertices = np.vstack([mesh.vertices, foot, foot.mean(axis=0)])
    return Mesh(vertices, np.vstack([mesh.faces, np.array(extra)]).astype(np.int32))


@pytest.mark.parametrize("name", NAMES)
def test_axes_and_arch(arches, name):
    arch = arches[name]
    frame = find_frame(arch.mesh)
    assert angle(frame.occlusal, arch.truth.occlusal) < 1.5
    assert angle(frame.anterior, arch.truth.anterior) < 5.0
    assert frame.found_arch == arch.truth.arch
    assert frame.arch == arch.truth.arch
    assert angle(frame.right, arch.truth.right) < 5.0


@pytest.mark.parametrize("name", NAMES)
def test_right_times_anterior_is_superior(arches, name):
    arch = arches[name]
    frame = find_frame(arch.mesh)
    sign = -1.0 if arch.truth.arch == "upper" else 1.0
    np.testing.assert_allclose(frame.superior, sign * frame.occlusal, atol=1e-9)
    rows = np.stack([frame.right, frame.anterior, frame.occlusal])
    np.testing.assert_allclose(rows @ rows.T, np.eye(3), atol=1e-9)


def test_same_answer_in_another_pose(arches):
    mesh = arches["lower"].mesh
    first = find_frame(mesh)
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_rotvec([1.1, -2.0, 0.4]).as_matrix()
    turn[:3, 3] = 120.0, -50.0, 8.0
    second = find_frame(mesh.transformed(turn))
    assert angle(turn[:3, :3] @ first.occlusal, second.occlusal) < 0.01
    assert angle(turn[:3, :3] @ first.anterior, second.anterior) < 0.01
    rng = np.random.default_rng(5)
    name = rng.permutation(len(mesh.vertices))
    vertices = np.empty_like(mesh.vertices)
    vertices[name] = mesh.vertices
    shuffled = Mesh(vertices, rng.permutation(name[mesh.faces]).astype(np.int32))
    assert angle(find_frame(shuffled).occlusal, first.occlusal) < 0.01
    assert second.arch == first.arch


def test_the_plane_hardly_hangs_on_the_grid_that_tips_are_looked_for_in():
    who = patient(np.random.default_rng([9100, 4]))
    spec = scan_of(who, np.random.default_rng(9100), plain=True)
    vertices, faces, _ = make_mouth(replace(spec, triangles=40_000))
    mesh = Mesh(vertices, faces.astype(np.int32))
    axes = [find_frame(mesh).occlusal]
    height = mesh.vertices @ axes[0]
    for share in (0.01, 0.02, 0.04, 0.07, 0.1):  # less gum: the surface's own axes turn
        axes.append(find_frame(cut(mesh, height > np.quantile(height, share))).occlusal)
    middle = np.mean(axes, axis=0)
    middle /= np.linalg.norm(middle)
    assert max(angle(axis, middle) for axis in axes) < 0.2


@pytest.mark.parametrize("name", NAMES)
def test_winding_does_not_matter(arches, name):
    mesh = arches[name].mesh
    plain = find_frame(mesh)
    mixed = mesh.faces.copy()
    mixed[::3] = mixed[::3, ::-1]
    for faces in (mesh.faces[:, ::-1], mixed):
        other = find_frame(Mesh(mesh.vertices, np.ascontiguousarray(faces)))
        assert angle(other.occlusal, plain.occlusal) < 0.1
        assert angle(other.right, plain.right) < 1.0
        assert other.arch == plain.arch


def test_unshared_vertices_do_not_matter(arches):
    mesh = arches["upper"].mesh
    soup = Mesh(
        mesh.triangles.reshape(-1, 3), np.arange(mesh.faces.size, dtype=np.int32).reshape(-1, 3)
    )
    assert angle(find_frame(soup).occlusal, find_frame(mesh).occlusal) < 0.2


@pytest.mark.parametrize("name", NAMES)
def test_closed_model_is_not_taken_upside_down(arches, name):
    arch = arches[name]
    frame = find_frame(with_base(arch.mesh, arch.truth.occlusal))
    assert angle(frame.occlusal, arch.truth.occlusal) < 2.5


@pytest.mark.parametrize("name", NAMES)
def test_crowns_without_gums(arches, name):
    arch = arches[name]
    height = (arch.mesh.vertices - arch.truth.origin) @ arch.truth.occlusal
    frame = find_frame(cut(arch.mesh, height > -6.0))
    assert angle(frame.occlusal, arch.truth.occlusal) < 2.0


def test_two_thirds_of_an_arch(arches):
    arch = arches["lower"]
    across = (arch.mesh.vertices - arch.truth.origin) @ arch.truth.right
    frame = find_frame(cut(arch.mesh, across > np.quantile(across, 0.33)))
    assert angle(frame.occlusal, arch.truth.occlusal) < 4.0
    assert angle(frame.anterior, arch.truth.anterior) < 15.0


def test_islands_and_noise(arches):
    arch = arches["palate"]
    rng = np.random.default_rng(1)
    noisy = arch.mesh.vertices + rng.normal(0.0, 0.04, arch.mesh.vertices.shape)
    island = arch.truth.origin + 30.0 * arch.truth.occlusal + rng.normal(0.0, 2.0, (30, 3))
    faces = rng.permutation(30).reshape(-1, 3) + noisy.shape[0]
    mesh = Mesh(np.vstack([noisy, island]), np.vstack([arch.mesh.faces, faces]).astype(np.int32))
    assert angle(find_frame(mesh).occlusal, arch.truth.occlusal) < 1.5


def test_a_surface_torn_all_over_still_has_its_plane(arches):
    arch = next(iter(arches.values()))
    kept = np.random.default_rng(5).random(len(arch.mesh.faces)) > 0.03
    frame = find_frame(Mesh(arch.mesh.vertices, arch.mesh.faces[kept]))
    assert frame.occlusal @ arch.truth.occlusal > np.cos(np.radians(1.5))


def test_stated_arch_is_kept_and_contradicted(arches):
    lower = arches["lower"]
    frame = find_frame(lower.mesh, arch="upper")
    assert frame.arch == "upper"
    assert frame.found_arch == "lower"
    assert frame.contradicts
    assert angle(frame.right, -lower.truth.right) < 5.0
    agreed = find_frame(lower.mesh, arch="lower")
    assert not agreed.contradicts


def test_tips_lie_on_the_teeth(arches):
    arch = arches["lower"]
    frame = find_frame(arch.mesh)
    truth = np.concatenate([tooth.tips for tooth in arch.truth.teeth])
    nearest = np.linalg.norm(truth[:, None] - frame.tips[None], axis=2).min(axis=1)
    assert np.median(nearest) < 0.8
    places = frame.tip_places
    right = frame.to_local(frame.tips)[:, 0]
    sides = np.abs(places[:, 0]) > 6.0
    assert (np.sign(places[sides, 0]) == np.sign(right[sides])).all()


def test_local_coordinates_agree_with_the_matrix(arches):
    frame = find_frame(arches["upper"].mesh)
    points = frame.tips
    homogeneous = np.concatenate([points, np.ones((points.shape[0], 1))], axis=1)
    np.testing.assert_allclose(
        frame.to_local(points), (homogeneous @ frame.to_frame().T)[:, :3], atol=1e-9
    )


def cube(size: float) -> Mesh:
    corners = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T * size
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [f for a, b, c, d in quads for f in ((a, b, c), (a, c, d))]
    return Mesh(corners.astype(float), np.array(faces, dtype=np.int32))


@pytest.mark.parametrize(
    ("mesh", "words"),
    [
        (cube(40.0), "no teeth"),
        (cube(40_000.0), "units"),
        (cube(0.04), "units"),
        (Mesh(np.zeros((3, 3)), np.zeros((0, 3), dtype=np.int32)), "no triangles"),
        (Mesh(np.zeros((3, 3)), np.array([[0, 1, 2]], dtype=np.int32)), "no area"),
        (Mesh(np.full((3, 3), np.nan), np.array([[0, 1, 2]], dtype=np.int32)), "finite"),
    ],
)
def test_what_is_no_arch_is_refused(mesh, words):
    with pytest.raises(GeometryError, match=words):
        find_frame(mesh)


def test_unknown_word_for_the_arch_is_refused(arches):
    with pytest.raises(GeometryError, match="upper or lower"):
        find_frame(arches["lower"].mesh, arch="top")


def test_teeth_at_two_levels_are_counted() -> None:
    """Invented row of 24 tips on a half ellipse in the plane z = 0, and as many more below it."""
    turn = np.linspace(0.0, np.pi, 24)
    row = np.column_stack([26.0 * np.cos(turn), 45.0 * np.sin(turn), np.zeros(24)])
    up = np.array([0.0, 0.0, 1.0])
    tips = Tips(row, np.ones(24), np.zeros(24, dtype=bool))
    plane = OcclusalPlane(up, 0.0, tips, 1.0, 0.0, tips.only(np.zeros(24, dtype=bool)))
    assert refit(plane, np.empty((0, 3)), np.ones(24)).uneven == 0.0
    # Outside, where they turn nothing: the plane stays, a third stands 4 mm below it.
    sunk = row[::2] - 4.0 * up
    found = refit(plane, sunk, np.ones(36))
    assert found.uneven == pytest.approx(1.0 / 3.0)

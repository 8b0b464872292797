"""Known errors put into a print are measured."""

import io
import struct

import numpy as np
import pytest
import trimesh
from PIL import Image
from scipy.spatial.transform import Rotation

from fixtures.arches import make_arch, random_spec
from geometry.accuracy import compare_print, describe_offsets, trueness_and_precision
from geometry.errors import GeometryError
from geometry.mesh import Mesh


@pytest.fixture(scope="module")
def part():
    """Return an L with a step, finely divided: no symmetry."""
    body = trimesh.creation.box((40, 12, 10))
    body = body.union(trimesh.creation.box((12, 30, 10), tr([14, 12, 0])))
    body = body.union(trimesh.creation.box((10, 10, 8), tr([-15, 0, 7])))
    while len(body.faces) < 6000:
        body = body.subdivide()
    return Mesh(np.array(body.vertices), body.faces.astype(np.int32))


def tr(shift):
    return trimesh.transformations.translation_matrix(shift)


def pose(seed):
    rng = np.random.default_rng(seed)
    motion = np.eye(4)
    motion[:3, :3] = Rotation.random(random_state=seed).as_matrix()
    motion[:3, 3] = rng.normal(size=3) * 30.0
    return motion


def printed(part, seed, scale=(1.0, 1.0, 1.0), noise=0.0, posed=True):
    rng = np.random.default_rng(seed)
    points = part.vertices * scale + rng.normal(0.0, noise, part.vertices.shape)
    mesh = Mesh(points, part.faces)
    return mesh.transformed(pose(seed)) if posed else mesh


def test_a_perfect_print(part):
    report = compare_print(part, [printed(part, 1)]).report
    assert report["rms_mm"] < 1e-3
    assert report["trueness_mm"] < 1e-3
    assert report["precision_mm"] is None
    assert report["within"]["0.10"] == pytest.approx(1.0)


@pytest.mark.parametrize("seed", range(3))
def test_stretch_along_each_axis(part, seed):
    found = compare_print(part, [printed(part, seed, (1.006, 0.996, 1.01))]).report
    scale = found["scale_error_percent"]
    assert scale["x"] == pytest.approx(0.6, abs=0.03)
    assert scale["y"] == pytest.approx(-0.4, abs=0.03)
    assert scale["z"] == pytest.approx(1.0, abs=0.05)


def test_a_print_grown_all_over_is_off_but_precise(part):
    body = trimesh.Trimesh(part.vertices, part.faces, process=False)
    prints = []
    for seed in (1, 2, 3):
        rng = np.random.default_rng(seed)
        out = body.vertex_normals * (0.08 + rng.normal(0, 0.005, (len(part.vertices), 1)))
        prints.append(Mesh(part.vertices + out, part.faces).transformed(pose(seed)))
    report = compare_print(part, prints).report
    assert report["trueness_mm"] == pytest.approx(0.08, abs=0.01)
    assert report["precision_mm"] < 0.02
    assert len(report["prints"]) == 3


def test_scattered_prints_are_true_but_not_precise(part):
    body = trimesh.Trimesh(part.vertices, part.faces, process=False)
    prints = [
        Mesh(part.vertices + body.vertex_normals * grown, part.faces)
        for grown in (-0.1, 0.1, -0.05, 0.05)
    ]
    report = compare_print(part, prints).report
    assert report["trueness_mm"] < 0.01
    # Standard deviation of those four numbers.
    assert report["precision_mm"] == pytest.approx(0.0913, abs=0.01)


def test_winding_of_the_rescan_does_not_matter(part):
    scan = printed(part, 4, (1.01, 1.01, 1.01))
    turned = Mesh(scan.vertices, scan.faces[:, ::-1].copy())
    first, second = (compare_print(part, [s]).report for s in (scan, turned))
    assert first["prints"][0]["bias_mm"] == pytest.approx(second["prints"][0]["bias_mm"], abs=1e-3)
    assert first["prints"][0]["bias_mm"] > 0.0


def test_a_rescan_without_its_base(part):
    middle = part.triangles.mean(axis=1)
    top = Mesh(part.vertices, part.faces[middle[:, 2] > -4.9]).transformed(pose(6))
    (found,) = compare_print(part, [top]).report["prints"]
    assert 0.5 < found["shown_share"] < 0.85
    assert found["rms_mm"] < 5e-3


def test_an_arch_in_any_pose():
    mesh = make_arch(random_spec(5, arch="upper", triangles=15_000, clean=True), 5).mesh
    (found,) = compare_print(mesh, [printed(mesh, 7, (1.003, 1.003, 1.003))]).report["prints"]
    assert found["scale_error_percent"]["x"] == pytest.approx(0.3, abs=0.05)


@pytest.mark.parametrize(("grown", "scale"), [(0.08, 1.0), (-0.06, 1.004)])
def test_growth_of_an_open_arch_is_told_apart_from_stretch(grown, scale):
    mesh = make_arch(random_spec(6, arch="lower", triangles=15_000, clean=True), 6).mesh
    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    print_ = Mesh((mesh.vertices + grown * body.vertex_normals) * scale, mesh.faces)
    report = compare_print(mesh, [print_.transformed(pose(8))]).report
    assert report["growth_mm"] == pytest.approx(grown, abs=0.006)
    for stretch in report["scale_error_percent"].values():
        assert stretch == pytest.approx(100.0 * (scale - 1.0), abs=0.06)
    # An arch without its base is moved by the fit, and its mean deviation shows less.
    assert abs(report["trueness_mm"]) < abs(grown)


def test_another_body_is_refused(part):
    ball = trimesh.creation.icosphere(subdivisions=4, radius=40.0)
    with pytest.raises(GeometryError, match="rescan 1"):
        compare_print(part, [Mesh(np.array(ball.vertices), ball.faces.astype(np.int32))])


@pytest.mark.parametrize(
    ("scan", "words"),
    [
        (lambda p: Mesh(p.vertices / 25.4, p.faces), "units"),
        (lambda p: Mesh(p.vertices * 0.0, p.faces), "no surface"),
        (lambda p: Mesh(p.vertices, p.faces[:0]), "no surface"),
    ],
)
def test_what_shows_next_to_nothing_of_the_file_is_refused(part, scan, words):
    with pytest.raises(GeometryError, match=rf"rescan 2.*{words}"):
        compare_print(part, [part, scan(part)])


def test_figures_of_what_is_no_number_are_refused():
    for wrong in np.nan, np.inf:
        with pytest.raises(GeometryError):
            describe_offsets([0.1, wrong])
        with pytest.raises(GeometryError):
            trueness_and_precision([0.1, wrong], 0.0)


def test_no_rescan_is_refused(part):
    with pytest.raises(GeometryError, match="no rescan"):
        compare_print(part, [])


def test_colour_map(part):
    found = compare_print(part, [printed(part, 1, (1.02, 1.0, 1.0), posed=False)])
    image = np.asarray(Image.open(io.BytesIO(found.picture(300, 200)))).astype(int)
    assert image.shape == (200, 300, 3)
    # Too long in x: both ends are red.
    assert ((image[..., 0] - image[..., 2]) > 60).sum() > 50
    data = found.glb()
    assert data[:4] == b"glTF"
    assert struct.unpack("<I", data[8:12])[0] == len(data)
    assert b"_DEVIATION" in data

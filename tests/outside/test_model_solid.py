"""Prepared models judged by libraries that did not build them, and by closed forms.

trimesh (MIT) closes, weighs and slices; shapely (BSD) judges the slices; manifold3d
(Apache-2.0) tells the genus; zxing-cpp (Apache-2.0) reads the code; lib3mf (BSD, the
3MF Consortium's own) opens the 3MF. Fill of bodies: volumes of solids of revolution.
"""

import io

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
import zxingcpp
from scipy.spatial import cKDTree
from trimesh.ray.ray_pyembree import RayMeshIntersector

from geometry.mesh import Mesh
from geometry.model.base.closing import close_surface
from geometry.model.surface.skin import skin_of
from geometry.model.undercuts.blockout import block_out
from geometry.model.undercuts.heights import Grid, column_crossings
from geometry.model.undercuts.regions import Places
from tests.geometry.model.conftest import SPECS, arch, model
from tests.geometry.model.rays import deeper_than


@pytest.fixture(scope="module", params=sorted(SPECS))
def made(request):
    return model(request.param)


def opened(made) -> trimesh.Trimesh:
    return trimesh.load(io.BytesIO(made.stl()), file_type="stl")


def test_the_file_reads_back_closed_and_as_heavy_as_said(made):
    mesh = opened(made)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume / 1000 == pytest.approx(made.report["volume_ml"], rel=1e-5)
    assert mesh.bounds[0][2] == 0.0


def test_the_genus_is_nought_and_the_volume_the_same_elsewhere(made):
    mesh = opened(made)
    body = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64))
    )
    assert body.status() == manifold3d.Error.NoError
    assert body.genus() == 0
    assert len(body.decompose()) == 1
    assert body.volume() == pytest.approx(made.report["volume_ml"] * 1000, rel=1e-6)


def test_slices_are_simple_outlines(made):
    # A surface that crosses itself is cut into outlines that cross themselves.
    mesh = opened(made)
    for height in np.linspace(0.31, 13.7, 14):
        section = mesh.section(plane_origin=[0, 0, height], plane_normal=[0, 0, 1])
        outlines = [shapely.Polygon(line[:, :2]) for line in section.discrete]
        assert outlines
        # A fold between triangles with a common corner, under 0.1 mm across, is let pass.
        assert all(outline.is_valid or outline.area < 0.01 for outline in outlines)


def test_handedness_by_the_volume_of_three_landmarks():
    # Patient's right, front and crown tips span a right-handed trihedron in the mouth of
    # a lower arch (right × anterior = superior = occlusal); mirrored models flip it.
    for name in sorted(SPECS):
        truth, turn = arch(name).truth, model(name).transform[:3, :3]
        before = np.linalg.det(np.stack([truth.right, truth.anterior, truth.occlusal]))
        after = np.linalg.det(
            np.stack([turn @ truth.right, turn @ truth.anterior, turn @ truth.occlusal])
        )
        assert after == pytest.approx(before, abs=1e-9)


def test_threemf_is_opened_by_the_consortium_s_library():
    from lib3mf import get_wrapper

    wrapper = get_wrapper()
    file = wrapper.CreateModel()
    file.QueryReader("3mf").ReadFromBuffer(model("upper").threemf())
    items = file.GetMeshObjects()
    assert items.MoveNext()
    body = items.GetCurrentMeshObject()
    assert body.IsManifoldAndOriented()
    assert body.GetTriangleCount() == len(model("upper").solid.faces)
    assert not items.MoveNext()


def test_the_code_under_the_base_is_read_back_from_a_picture():
    made = model("upper", text="K7M2-P")
    place = next(p for p in made.report["identity"]["places"] if p["kind"] == "code")
    # A picture of the base from below: engraved is dark.
    solid, pixel = made.solid, 0.1
    x, y = place["centre"][:2]
    half = 0.75 * place["size_mm"] + 2.0
    grid = Grid(x - half + 0.0137, y - half + 0.0173, pixel, int(2 * half / pixel), int(2 * half / pixel))
    columns = column_crossings(solid.vertices, solid.faces, grid)
    lowest = np.full(grid.nx * grid.ny, np.inf)
    filled = np.diff(columns.start) > 0
    lowest[filled] = columns.z[columns.start[1:][filled] - 1]
    picture = np.where(lowest.reshape(grid.nx, grid.ny) < 0.1, 255, 0).astype(np.uint8)
    # Seen from below with y downwards, x runs as it does from above.
    seen = np.ascontiguousarray(picture.T)
    found = zxingcpp.read_barcodes(seen, formats=zxingcpp.BarcodeFormat.MicroQRCode | zxingcpp.BarcodeFormat.QRCode)
    assert [code.text for code in found] == ["K7M2-P"]


def body_of(mesh: trimesh.Trimesh):
    return np.array(mesh.vertices, float), np.array(mesh.faces, np.int32)


def filled_volume(mesh: trimesh.Trimesh, depth: float) -> float:
    v, f = body_of(mesh)
    fill = block_out(v, f, depth, Places(None, None, np.eye(4)), 0.2)
    solid = manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64)))
    return (solid + fill.body).volume() - solid.volume()


@pytest.mark.parametrize("depth", [0.25, 0.5])
def test_fill_under_a_mushroom(depth):
    # Head R 6 from z 5 on a stem r 3: fill is a ring of radii 3 and R − depth.
    profile = [(0, 0), (3, 0), (3, 5), (6, 5), (6, 8), (0, 8)]
    body = trimesh.creation.revolve(np.array(profile, float), sections=360)
    ring = np.pi * ((6 - depth) ** 2 - 3**2) * 5
    assert filled_volume(body, depth) == pytest.approx(ring, rel=0.02)


def test_fill_under_a_ball():
    # Ball R 5 on the platform, filled to a cylinder of radius R − d below its middle.
    ball = trimesh.creation.icosphere(subdivisions=5, radius=5.0)
    ball.apply_translation([0, 0, 5.0])
    d = 0.25
    rho = 5.0 - d
    # Between the cylinder of radius ρ and the ball, from the platform up.
    under = np.pi * rho**2 * 5.0 - 2 * np.pi / 3 * (5.0**3 - (5.0**2 - rho**2) ** 1.5)
    assert filled_volume(ball, d) == pytest.approx(under, rel=0.02)


def test_by_rays_too_next_to_nothing_is_left_beyond_the_depth():
    for name in ("upper", "lower"):
        first, left = (
            deeper_than(opened(model(name, block_out=depth)), 0.25) for depth in (None, 0.25)
        )
        assert first > 2.0
        assert left <= 0.03 * first


@pytest.mark.parametrize("name", ["upper", "lower"])
def test_by_rays_no_fill_lies_above_the_height_of_contour_nor_in_shallow_undercut(name):
    # What is seen from straight above, here or a little aside, is what plastic grips.
    off, on = model(name, block_out=None), model(name, block_out=0.25)
    plain = trimesh.Trimesh(off.solid.vertices, off.solid.faces, process=False)
    just_off = plain.vertices + 0.002 * plain.vertex_normals
    rays, up = RayMeshIntersector(plain), np.tile((0.0, 0.0, 1.0), (len(just_off), 1))
    seen = ~rays.intersects_any(just_off, up)
    for angle in np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False):
        aside = 0.15 * np.array([np.cos(angle), np.sin(angle), 0.0])
        seen |= ~rays.intersects_any(just_off + aside, up)
    seen &= plain.vertices[:, 2] > off.cut_z + 0.3
    assert seen.sum() > 5000
    kept = cKDTree(on.solid.vertices)
    assert kept.query(plain.vertices[seen])[0].max() == 0.0
    # The fill is there, deeper down.
    assert kept.query(plain.vertices[~seen])[0].max() > 0.3


def test_a_cylinder_needs_no_fill():
    body = trimesh.creation.cylinder(radius=5, height=10, sections=90)
    body.apply_translation([0, 0, 5.0])
    fill = block_out(*body_of(body), 0.25, Places(None, None, np.eye(4)), 0.2)
    assert fill.body is None
    assert fill.first_mm3 == 0.0


def test_a_cut_cone_has_the_frustum_s_volume():
    # Cone r 12, h 12 on z = 0, open below, cut at 4 and stood on straight walls.
    n = 720
    angle = 2 * np.pi * np.arange(n) / n
    ring = np.column_stack((12 * np.cos(angle), 12 * np.sin(angle), np.zeros(n)))
    vertices = np.vstack((ring, [[0.0, 0.0, 12.0]]))
    index = np.arange(n)
    faces = np.column_stack((index, (index + 1) % n, np.full(n, n))).astype(np.int32)
    cone = skin_of(Mesh(vertices, faces), np.zeros(len(faces), np.int8))
    solid = close_surface(cone, 4.0, 12.0)
    weighed = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
    assert weighed.is_watertight
    # 8 mm cone of radius 8 on a 4 mm cylinder of radius 8, as polygons of n sides.
    polygon = 0.5 * n * np.sin(2 * np.pi / n) * 64
    assert weighed.volume == pytest.approx(polygon * (8 / 3 + 4), rel=1e-9)

"""Reading mesh files against trimesh (MIT) and the formats' published facts.

STL: 80-byte header, uint32 count, 50 bytes a triangle, so 84 + 50 n bytes (M. Burns,
*Automated Fabrication*, 1993, section 6.5; from memory). PLY: G. Turk, *The PLY Polygon
File Format*, 1994. OBJ: Wavefront *Advanced Visualizer* manual, appendix B1; from memory.
"""

import io

import numpy as np
import pytest
import trimesh

from geometry.mesh import Mesh
from geometry.reading import read_mesh, write_stl

BODIES = {
    "icosphere": trimesh.creation.icosphere(subdivisions=3, radius=30),
    "box": trimesh.creation.box([40, 30, 20]),
    "torus": trimesh.creation.torus(25, 7),
    "capsule": trimesh.creation.capsule(20, 15),
    "cone": trimesh.creation.cone(15, 40),
}
FORMATS = {
    "stl": {"file_type": "stl"},
    "stl_ascii": {"file_type": "stl_ascii"},
    "ply": {"file_type": "ply"},
    "ply ascii": {"file_type": "ply", "encoding": "ascii"},
    "ply normals": {"file_type": "ply", "vertex_normal": True},
    "obj": {"file_type": "obj"},
}


def soup(triangles: np.ndarray) -> np.ndarray:
    """Triangles in an order of their own, each from its smallest corner."""
    rows = [
        [*t[k:], *t[:k]]
        for t in np.asarray(triangles, dtype=float).tolist()
        for k in (t.index(min(t)),)
    ]
    return np.array(sorted(rows))


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("name", BODIES)
def test_the_same_mesh_as_the_reference_reader(name: str, kind: str) -> None:
    body = BODIES[name].copy()
    if kind == "ply":
        body.visual.vertex_colors = np.arange(4 * len(body.vertices)).reshape(-1, 4) % 255
    data = body.export(**FORMATS[kind])
    data = data.encode() if isinstance(data, str) else data
    extension = kind.split(" ")[0].split("_")[0]
    reference = trimesh.load(io.BytesIO(data), file_type=extension, force="mesh", process=False)
    reference.merge_vertices(merge_norm=True, merge_tex=True)
    found = read_mesh(data, f"body.{extension}", units="mm")
    # The reference rounds text PLY to the float32 that its header declares.
    wide = np.float32 if kind == "ply ascii" else np.float64
    ours, theirs = (t.astype(wide) for t in (found.mesh.triangles, reference.triangles))
    assert np.array_equal(soup(ours), soup(theirs))
    assert len(found.mesh.vertices) == len(reference.vertices)
    assert found.triangles_read == len(reference.faces)


def test_what_is_written_is_read_by_the_reference_reader() -> None:
    body = BODIES["torus"]
    mesh = Mesh(np.asarray(body.vertices), np.asarray(body.faces, np.int32))
    back = trimesh.load(io.BytesIO(write_stl(mesh)), file_type="stl")
    assert back.is_watertight
    assert back.volume == pytest.approx(body.volume, rel=1e-6)


@pytest.mark.parametrize(("count", "size"), [(12, 684), (320, 16_084)])
def test_the_size_of_a_binary_stl_is_84_plus_50_n(count: int, size: int) -> None:
    body = trimesh.creation.box() if count == 12 else trimesh.creation.icosphere(subdivisions=2)
    mesh = Mesh(np.asarray(body.vertices), np.asarray(body.faces, np.int32))
    assert len(mesh.faces) == count
    assert len(write_stl(mesh)) == size


@pytest.mark.parametrize("level", range(5))
def test_an_icosphere_has_the_known_counts_and_volume(level: int) -> None:
    """V = 10 · 4ᵏ + 2, F = 20 · 4ᵏ, and the volumes of the inscribed polyhedra."""
    volume = (2.536151, 3.658712, 4.047045, 4.152741, 4.179739)[level]
    body = trimesh.creation.icosphere(subdivisions=level, radius=1)
    data = body.export(file_type="stl")
    mesh = read_mesh(data, "ball.stl", units="mm").mesh
    assert (len(mesh.vertices), len(mesh.faces)) == (10 * 4**level + 2, 20 * 4**level)
    a, b, c = mesh.triangles.transpose(1, 0, 2)
    assert (a * np.cross(b, c)).sum() / 6.0 == pytest.approx(volume, abs=2e-6)

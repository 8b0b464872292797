"""Every format yields the same welded mesh."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from geometry.mesh import Mesh
from geometry.reading import guess_unit, read_mesh, weld_corners, weld_indexed
from geometry.reading.numbers import read_numbers, settle
from geometry.reading.warm import sample_files

FILES = sample_files()


def soup(mesh: Mesh) -> np.ndarray:
    """Triangles as sorted rows, each starting at its smallest corner."""
    rows = []
    for triangle in mesh.triangles.tolist():
        start = triangle.index(min(triangle))
        rows.append([*triangle[start:], *triangle[:start]])
    return np.array(sorted(rows))


@pytest.mark.parametrize("name", FILES)
def test_each_format_gives_the_same_tetrahedron(name: str) -> None:
    scan = read_mesh(FILES[name], name)
    assert len(scan.mesh.vertices) == 4
    assert scan.triangles_read == 4
    assert np.array_equal(soup(scan.mesh), soup(read_mesh(FILES["a.obj"], "a.obj").mesh))


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t.upper().replace(b" 0.0", b" 0.0"),
        lambda t: t.replace(b"\n", b"\r\n"),
        lambda t: t.replace(b"\n", b"\r"),
        lambda t: t.replace(b" ", b" \t  "),
        lambda t: b"\xef\xbb\xbf\n  " + t,
        lambda t: t.replace(b"solid a", b"solid facet vertex 1 2 3", 1),
        lambda t: t.replace(b"30.0", b"+3.0E+01").replace(b"0.0 ", b"-0.0 "),
        lambda t: t + t,
        lambda t: t.replace(b"facet normal 0 0 0", b"facet normal nan nan nan"),
    ],
)
def test_odd_but_valid_text_stl(change) -> None:  # type: ignore[no-untyped-def]
    scan = read_mesh(change(FILES["a.stl"]), "odd.stl")
    assert scan.format == "stl-ascii"
    assert len(scan.mesh.vertices) == 4
    assert np.array_equal(np.unique(scan.mesh.vertices), [0.0, 30.0])


def test_a_binary_file_whose_header_says_solid() -> None:
    data = b"solid facet normal" + FILES["b.stl"][18:]
    assert read_mesh(data, "x.stl").format == "stl-binary"


@pytest.mark.parametrize("tail", [b"\n", b"exported", bytes(49)])
def test_a_few_bytes_after_the_last_triangle_lose_nothing(tail: bytes) -> None:
    scan = read_mesh(FILES["b.stl"] + tail, "x.stl")
    assert (scan.format, scan.triangles_read) == ("stl-binary", 4)
    assert np.array_equal(soup(scan.mesh), soup(read_mesh(FILES["b.stl"], "b.stl").mesh))


def test_content_beats_the_ending_of_the_name() -> None:
    assert read_mesh(FILES["a.ply"], "x.stl").format == "ply-ascii"
    assert read_mesh(FILES["a.obj"], "x.dat").format == "obj"
    assert read_mesh(FILES["b.stl"], "x.ply").format == "stl-binary"


def test_ply_with_colours_normals_quads_and_other_elements() -> None:
    header = (
        b"ply\nformat binary_big_endian 1.0\ncomment made for a test\nobj_info none\n"
        b"element camera 1\nproperty float view\nproperty list uchar short extras\n"
        b"element vertex 5\nproperty uchar red\nproperty double x\nproperty float nx\n"
        b"property double y\nproperty double z\nproperty uchar alpha\n"
        b"element face 3\nproperty uchar flag\nproperty list uchar uint vertex_index\n"
        b"property list uchar float texcoord\nend_header\n"
    )
    camera = np.array([1.5], ">f4").tobytes() + b"\x02" + np.array([7, 8], ">i2").tobytes()
    layout = np.dtype([("r", "u1"), ("x", ">f8"), ("nx", ">f4"), ("yz", ">f8", 2), ("a", "u1")])
    vertices = np.zeros(5, layout)
    vertices["x"] = [0, 30, 30, 0, 15]
    vertices["yz"] = [[0, 0], [0, 0], [30, 0], [30, 0], [15, 20]]
    faces = b""
    for corners in ([0, 1, 2, 3], [0, 1, 4], [1, 2, 4]):
        faces += b"\x09" + bytes([len(corners)]) + np.array(corners, ">u4").tobytes()
        faces += b"\x01" + np.array([0.5], ">f4").tobytes()
    scan = read_mesh(header + camera + vertices.tobytes() + faces, "c.ply")
    assert scan.format == "ply-binary-be"
    expected = Mesh(
        np.array([[0, 0, 0], [30, 0, 0], [30, 30, 0], [0, 30, 0], [15, 15, 20]], float),
        np.array([[0, 1, 2], [0, 2, 3], [0, 1, 4], [1, 2, 4]], np.int32),
    )
    assert np.array_equal(soup(scan.mesh), soup(expected))


def test_obj_with_negative_indices_quads_texture_and_continued_lines() -> None:
    text = (
        b"# a comment\nmtllib none.mtl\no thing\nv 0 0 0 0.5 0.5 0.5\nv 30 0 0\nv 30 30 0\n"
        b"v 0 30 0\nvt 0 0\nvn 0 0 1\nf -4//1 -3//1 -2//1 \\\n -1//1\nv 15 15 20\n"
        b"f 1/1 2/1 5/1 # side\nf 2/1/1 3/1/1 5/1/1\n"
    )
    scan = read_mesh(text, "c.obj")
    assert scan.triangles_read == 4
    assert len(scan.mesh.vertices) == 5


@given(hnp.arrays(np.float32, (12, 3, 3), elements=st.sampled_from([0.0, -0.0, 1.0, -1.5, 1e-20])))
def test_welding_joins_equal_corners_and_moves_none(corners: np.ndarray) -> None:
    mesh = weld_corners(corners)
    assert np.array_equal(mesh.triangles, corners.astype(float))
    distinct = {tuple(row) for row in (corners.reshape(-1, 3) + 0.0).tolist()}
    assert len(mesh.vertices) == len(distinct)
    assert not np.signbit(mesh.vertices[mesh.vertices == 0.0]).any()


def test_welding_many_points_grows_its_table() -> None:
    rng = np.random.default_rng(3)
    points = rng.integers(0, 60, (60_000, 3)).astype(np.float32)
    mesh = weld_corners(points.reshape(-1, 3, 3))
    assert len(mesh.vertices) == len(np.unique(points, axis=0))
    assert np.array_equal(mesh.vertices[mesh.faces.ravel()], points)


def test_indexed_welding_drops_what_no_face_uses() -> None:
    points = np.array([[9, 9, 9], [0, 0, 0], [1, 0, 0], [0, 1, 0], [-0.0, 0, 0]], float)
    mesh = weld_indexed(points, np.array([[1, 2, 3], [4, 3, 2]]))
    assert len(mesh.vertices) == 3
    assert mesh.faces[1, 0] == mesh.faces[0, 0]


@settings(max_examples=200)
@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=30), st.data()
)
def test_numbers_are_read_exactly_as_the_language_reads_them(values: list[float], data) -> None:  # type: ignore[no-untyped-def]
    styles = data.draw(
        st.lists(
            st.sampled_from(["%r", "%.6e", "%.17g", "%.9f", "%+.18e"]),
            min_size=len(values),
            max_size=len(values),
        )
    )
    words = [style % value for style, value in zip(styles, values, strict=True)]
    text = " ".join(words).encode()
    out = np.empty(len(values))
    slow = np.empty((len(values), 2), np.int64)
    count, slow_count, _ = read_numbers(np.frombuffer(text, np.uint8), 0, out, slow)
    assert count == len(values)
    assert settle(text, out, slow[:slow_count]) is None or any(len(w) > 64 for w in words)
    short = [k for k, word in enumerate(words) if len(word) <= 64]
    assert [out[k] for k in short] == [float(words[k]) for k in short]


@pytest.mark.parametrize(
    ("extent", "unit"),
    [
        (60.0, "mm"),
        (25.0, "mm"),
        (11.5, "mm"),
        (9.5, "cm"),
        (6.2, "cm"),
        (2.5, "in"),
        (0.062, "m"),
        (900.0, "mm"),
        (0.0, "mm"),
    ],
)
def test_the_unit_is_guessed_from_the_size(extent: float, unit: str) -> None:
    assert guess_unit(extent) == unit


def test_units_scale_the_mesh_and_are_told() -> None:
    scan = read_mesh(FILES["b.stl"], "x.stl", units="in")
    assert (scan.units, scan.units_assumed, scan.scale_mm) == ("in", False, 25.4)
    assert np.isclose(scan.mesh.vertices.max(), 30 * 25.4)
    assert read_mesh(FILES["b.stl"], "x.stl").units_assumed

"""Files that are no scan are refused in one line, quickly and within memory."""

import gzip
import io
import struct
import tracemalloc
import zipfile

import numpy as np
import pytest

from geometry.errors import ScanFileError
from geometry.reading import ReadLimits, read_mesh, write_stl
from geometry.reading.warm import sample_files

FILES = sample_files()
BINARY = FILES["b.stl"]


def ply(header: str, body: bytes = b"") -> bytes:
    return f"ply\n{header}end_header\n".encode() + body


XYZ = "property float x\nproperty float y\nproperty float z\n"
FACES = "property list uchar int vertex_indices\n"
FOUR = "0 0 0\n30 0 0\n0 30 0\n0 0 30\n"


def nan_stl(value: float) -> bytes:
    data = bytearray(BINARY)
    data[84 + 12 + 50 : 84 + 16 + 50] = struct.pack("<f", value)
    return bytes(data)


def zip_bomb() -> bytes:
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("scan.stl", bytes(20_000_000))
    return box.getvalue()


BAD = {
    "empty.stl": (b"", "empty"),
    "short.stl": (b"abc\x00", "only 4 bytes"),
    "more.stl": (BINARY + bytes(50), "promises 4 triangles but the file holds 5; it is damaged"),
    "cut.stl": (BINARY[:-60], "promises 4 triangles but the file holds 2"),
    "count.stl": (BINARY[:80] + b"\xff\xff\xff\xff" + BINARY[84:], "promises 4294967295"),
    "none.stl": (b" " * 80 + bytes(4), "no triangles"),
    "nan.stl": (nan_stl(float("nan")), "triangle 2 .* not a finite number"),
    "inf.stl": (nan_stl(float("inf")), "triangle 2 .* not a finite number"),
    "huge.stl": (nan_stl(1e30), "coordinates reach 1e\\+30"),
    "letter.stl": (b"Dear colleague, please find attached the scan." * 9, "text or another format"),
    "zero.stl": (b" " * 80 + (3).to_bytes(4, "little") + bytes(150), "zero area"),
    "bomb.stl": (zip_bomb(), "zip archive"),
    "bomb.gz": (gzip.compress(bytes(1_000_000)), "gzip archive"),
    "solid.stl": (b"solid", "cut short"),
    "open.stl": (FILES["a.stl"][:-20], "line 29: .*'endsolid'|line 29"),
    "half.stl": (FILES["a.stl"][:200], "cut short"),
    "word.stl": (FILES["a.stl"].replace(b"vertex", b"vortex", 1), "line 4: expected 'vertex'"),
    "comma.stl": (FILES["a.stl"].replace(b"30.0", b"30,0", 1), "line 5: .* not a number"),
    "quad.stl": (FILES["a.stl"].replace(b"endloop", b"vertex 1 1 1\nendloop", 1), "'endloop'"),
    "noend.ply": (b"ply\nformat ascii 1.0\n", "end_header"),
    "cloud.ply": (ply("format ascii 1.0\nelement vertex 1\n" + XYZ, b"0 0 0\n"), "point cloud"),
    "flat.ply": (
        ply("format ascii 1.0\nelement vertex 4\nproperty float x\nelement face 1\n" + FACES),
        "no x, y and z",
    ),
    "many.ply": (
        ply(f"format ascii 1.0\nelement vertex 4\n{XYZ}element face 4294967295\n{FACES}"),
        "4294967295 faces",
    ),
    "fewer.ply": (
        ply(f"format ascii 1.0\nelement vertex 4\n{XYZ}element face 2\n{FACES}")
        + (FOUR + "3 0 1 2\n").encode(),
        "ends inside face 2 of 2",
    ),
    "range.ply": (
        ply(f"format ascii 1.0\nelement vertex 4\n{XYZ}element face 2\n{FACES}")
        + (FOUR + "3 0 1 2\n3 0 1 4\n").encode(),
        "face 2 names vertex 4",
    ),
    "minus.ply": (
        ply(f"format ascii 1.0\nelement vertex 4\n{XYZ}element face 1\n{FACES}")
        + (FOUR + "3 0 1 -1\n").encode(),
        "face 1 names vertex -1",
    ),
    "kind.ply": (ply("format ascii 1.0\nelement vertex 4\nproperty long x\n"), "line 4"),
    "text.ply": (
        ply(f"format ascii 1.0\nelement vertex 1\n{XYZ}element face 1\n{FACES}") + b"0 0 zero\n",
        "line 10: expected a number",
    ),
    "cut.ply": (FILES["binary_little_endian.ply"][:-9], "ends inside face"),
    "long.ply": (
        ply(f"format binary_little_endian 1.0\nelement vertex 1\n{XYZ}element face 1\n"
            "property list uint int vertex_indices\n") + bytes(12) + b"\xff\xff\xff\xff" * 3,
        "ends inside face 1",
    ),
    "range.obj": (FILES["a.obj"] + b"f 1 2 9\n", "line 9: .* does not exist"),
    "zero.obj": (FILES["a.obj"] + b"f 1 2 0\n", "line 9: .* does not exist"),
    "back.obj": (FILES["a.obj"] + b"f -1 -2 -9\n", "line 9: .* does not exist"),
    "giant.obj": (FILES["a.obj"] + b"f 1 2 99999999999999999999\n", "line 9"),
    "two.obj": (FILES["a.obj"] + b"f 1 2\n", "three corners"),
    "short.obj": (FILES["a.obj"] + b"v 1 2\n", "three numbers"),
    "words.obj": (FILES["a.obj"] + b"v a b c\n", "not a number"),
    "letter.obj": (b"Dear colleague", "no vertices"),
    "letter.txt": (b"Dear colleague", "neither STL, PLY nor OBJ"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_with_its_name_and_the_place(name: str) -> None:
    data, words = BAD[name]
    with pytest.raises(ScanFileError, match=words) as caught:
        read_mesh(data, f"C:\\scans\\{name}")
    message = str(caught.value)
    assert message.startswith(f"{name}: ")
    assert "\n" not in message


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_never_makes_the_reader_allocate_much(name: str) -> None:
    data, _ = BAD[name]
    tracemalloc.start()
    try:
        with pytest.raises(ScanFileError):
            read_mesh(data, name)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 2_000_000 + 40 * len(data)


def test_limits_are_told_with_their_value() -> None:
    with pytest.raises(ScanFileError, match="4 triangles, more than the 3 allowed"):
        read_mesh(BINARY, "a.stl", limits=ReadLimits(max_triangles=3))
    with pytest.raises(ScanFileError, match="reduce the scan"):
        read_mesh(BINARY, "a.stl", limits=ReadLimits(max_bytes=100))


def test_an_unknown_unit_is_refused() -> None:
    with pytest.raises(ScanFileError, match="use mm, cm, m or in"):
        read_mesh(BINARY, "a.stl", units="furlong")


def test_control_characters_in_a_name_do_not_reach_the_message() -> None:
    with pytest.raises(ScanFileError) as caught:
        read_mesh(b"", "a\x1b[31m\nb.stl")
    assert str(caught.value).startswith("a?[31m?b.stl: ")


def test_writing_gives_the_size_of_the_format() -> None:
    data = write_stl(read_mesh(BINARY, "a.stl", units="mm").mesh)
    assert len(data) == 84 + 50 * 4
    normals = np.frombuffer(data, np.dtype([("n", "<f4", 3), ("rest", "V38")]), offset=84)["n"]
    assert np.allclose(np.linalg.norm(normals, axis=1), 1.0, atol=1e-6)

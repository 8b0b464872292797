"""Readers fed with damaged files: an error in one line, or a mesh; nothing else."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.errors import ScanFileError
from geometry.reading import ReadLimits, read_mesh
from geometry.reading.warm import sample_files

FILES = sample_files()
CORPUS = Path(__file__).parent / "corpus"
LIMITS = ReadLimits(max_bytes=1 << 20, max_triangles=10_000)


def read(data: bytes, name: str) -> None:
    try:
        mesh = read_mesh(data, name, limits=LIMITS).mesh
    except ScanFileError as error:
        message = str(error)
    else:
        message = ""
    assert "\n" not in message
    if message:
        return
    assert np.isfinite(mesh.vertices).all()
    assert mesh.faces.min() >= 0
    assert mesh.faces.max() < len(mesh.vertices)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(sorted(FILES)), st.data())
def test_damaged_files_give_a_mesh_or_one_line(name: str, data: st.DataObject) -> None:
    content = bytearray(FILES[name])
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(content)))
        kind = data.draw(st.sampled_from(["flip", "cut", "put", "drop", "double"]))
        if kind == "flip" and at < len(content):
            content[at] = data.draw(st.integers(0, 255))
        elif kind == "cut":
            del content[at:]
        elif kind == "put":
            content[at:at] = data.draw(st.binary(max_size=12))
        elif kind == "drop":
            del content[at : at + data.draw(st.integers(1, 40))]
        else:
            content[at:at] = content[at : at + data.draw(st.integers(1, 60))]
    read(bytes(content), name)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=400), st.sampled_from(["a.stl", "a.ply", "a.obj", "a"]))
def test_noise_is_refused(data: bytes, name: str) -> None:
    read(data, name)


@pytest.mark.parametrize("path", sorted(CORPUS.glob("*.*")), ids=lambda p: p.name)
def test_what_once_broke_a_reader_does_not_any_more(path: Path) -> None:
    read(path.read_bytes(), path.name)

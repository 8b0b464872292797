"""A scan that ends on a crown is told: the last tooth must be whole where plastic is to cover it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from fixtures.arches import ArchSpec, make_arch
from geometry.inspection import inspect_scan
from geometry.mesh import Mesh
from geometry.reading import write_stl


@cache
def arch():
    spec = ArchSpec(arch="lower", last_tooth=(7, 7), triangles=60_000, pose="random", captured=9.0)
    return make_arch(spec, 41)


def cut_at(offset_mm: float) -> bytes:
    """The arch without what lies more than this behind the middle of its last right tooth."""
    made = arch()
    last = next(tooth for tooth in made.truth.teeth if tooth.number == 47)
    before = next(tooth for tooth in made.truth.teeth if tooth.number == 46)
    back = last.centre - before.centre
    back /= np.linalg.norm(back)
    kept = (made.mesh.vertices - last.centre) @ back < offset_mm
    right = (made.mesh.vertices - made.truth.origin) @ made.truth.right < 0.0
    kept |= right
    faces = made.mesh.faces[kept[made.mesh.faces].all(axis=1)]
    used, numbered = np.unique(faces, return_inverse=True)
    mesh = Mesh(made.mesh.vertices[used], numbered.reshape(-1, 3).astype(np.int32))
    return write_stl(mesh)


def told(data: bytes) -> list[str]:
    found = inspect_scan(data, "scan.stl", arch="lower").findings
    return [one.message for one in found if one.code == "cut_tooth"]


@pytest.mark.parametrize("offset_mm", [0.0, 2.0])
def test_a_scan_that_ends_on_the_last_molar_asks_for_more(offset_mm: float) -> None:
    (words,) = told(cut_at(offset_mm))
    assert "on the crown of the lower right second molar" in words
    assert "3–5 mm past" in words


def test_part_of_a_crown_too_small_to_be_counted_is_told_behind_the_last_tooth() -> None:
    (words,) = told(cut_at(-3.0))
    assert "lower right" in words


def test_a_scan_that_goes_on_behind_the_last_tooth_is_not_told() -> None:
    assert told(write_stl(arch().mesh)) == []

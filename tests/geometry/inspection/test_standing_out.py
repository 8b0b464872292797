"""What stands out of the teeth: told place by place, or as brackets where it is on many of them."""

from __future__ import annotations

import re

import numpy as np
import pytest

from fixtures.arches import Arch, random_arch
from geometry.inspection import inspect_scan
from geometry.inspection.findings.sampling import sampling_findings
from geometry.inspection.limits import DEFAULT_LIMITS
from geometry.inspection.place import Place
from geometry.mesh import Mesh
from geometry.reading import write_stl
from geometry.sampling import Bump, Sampling
from geometry.sampling.measure import Spike
from geometry.topology.adjacency import vertex_normals


def tooth_by_tooth(at) -> Place:
    """Each tooth is 10 mm wide; the outer side lies at y > 0."""
    side = "facial" if at[1] > 0 else "lingual"
    return Place("04", side, f"at the tooth {int(at[0] // 10)}, {side}")


def told(bumps, spikes=()) -> list[tuple[str, str]]:
    sampling = Sampling(0.3, 0.01, tuple(Spike(np.array(at), mm) for at, mm in spikes))
    found = sampling_findings(
        sampling,
        tuple(Bump(np.array(at), mm, *more) for at, mm, *more in bumps),
        tooth_by_tooth,
        DEFAULT_LIMITS,
    )
    return [(one.code, one.message) for one in found]


def on_teeth(count: int, y: float, mm: float):
    return [((10.0 * k + 5.0, y, 0.0), mm) for k in range(count)]


@pytest.mark.parametrize(("count", "mm"), [(3, 1.0), (6, 0.6)])
@pytest.mark.parametrize(("y", "side"), [(1.0, "outer"), (-1.0, "inner")])
def test_parts_bonded_to_some_teeth_are_told_together(count, mm, y, side):
    (code, words), *others = told(on_teeth(count, y, mm))
    assert code == "bonded_parts"
    assert f"{side} side of {count} teeth" in words
    assert len(others) == (count if count < 6 else 0)  # a few may be moisture after all


def test_two_attachments_are_told_as_bonded_and_nothing_on_them_as_a_spike():
    parts = [((5.0, 1.0, 0.0), 0.8, True), ((35.0, 1.0, 0.0), 0.9, True)]
    found = told([*parts, ((55.0, 1.0, 0.0), 0.7)], [((6.0, 1.0, 1.0), 0.9)])
    assert [code for code, _ in found] == ["bonded_parts", "bubble"]
    assert "outer side of 3 teeth, by up to 0.9 mm: tooth 3, tooth 0, tooth 5." in found[0][1]
    assert "Attachments" in found[0][1]


def test_what_stands_on_the_other_side_is_told_beside_them():
    found = told([*on_teeth(8, 1.0, 1.8), ((15.0, -1.0, 0.0), 0.7)], [((5.0, 1.0, 3.0), 0.9)])
    assert [code for code, _ in found] == ["bonded_parts", "bubble"]
    assert "8 teeth, by up to 1.8 mm" in found[0][1]
    assert "at the tooth 1, lingual" in found[1][1]


@pytest.mark.parametrize(
    "bumps",
    [on_teeth(2, 1.0, 1.8), on_teeth(5, -1.0, 0.9), on_teeth(6, 1.0, 0.4)],
    ids=["few teeth", "lower on some", "low"],
)
def test_elsewhere_each_place_is_told(bumps):
    assert [code for code, _ in told(bumps)] == ["bubble"] * len(bumps)


def test_a_bump_beside_a_spike_is_the_same_place():
    found = told([((5.0, 1.0, 0.0), 0.8), ((25.0, 1.0, 0.0), 0.8)], [((5.5, 1.0, 0.5), 0.6)])
    assert [code for code, _ in found] == ["spike", "bubble"]


def with_blocks(arch: Arch, numbers: list[int]) -> Mesh:
    """Raise blocks of 3 x 2 x 1 mm in the middle of outer crown faces.

    An attachment's usual size (common practice, no source).
    """
    mesh, truth = arch.mesh, arch.truth
    normals = vertex_normals(mesh)
    out = mesh.vertices.copy()
    for number in numbers:
        tooth = truth.tooth(number)
        margin = tooth.margin_mid["facial"]
        way = margin - tooth.margin_mid["lingual"]
        way -= (way @ truth.occlusal) * truth.occlusal
        way /= np.linalg.norm(way)
        edge = tooth.tips[np.argmin(((tooth.tips - margin) ** 2).sum(axis=1))]
        outer = np.flatnonzero(normals @ way > 0.3)
        far = ((mesh.vertices[outer] - 0.5 * (margin + edge)) ** 2).sum(axis=1)
        spread = mesh.vertices - mesh.vertices[outer[np.argmin(far)]]
        along = np.abs(spread @ np.cross(truth.occlusal, way))
        share = np.clip(5.5 - along / 0.3, 0, 1)
        share *= np.clip(3.8 - np.abs(spread @ truth.occlusal) / 0.3, 0, 1)
        share *= (np.abs(spread @ way) < 3.0) & (normals @ way > -0.2)
        out += np.outer(share * share * (3 - 2 * share), way)
    return Mesh(out, mesh.faces)


def test_attachments_on_a_scan_are_told_once_and_a_bare_mouth_has_none():
    arch = random_arch(
        4, arch="lower", triangles=90_000, clean=True, gaps="none", short_places="none"
    )
    numbers = [t.number for t in arch.truth.teeth if t.number % 10 in (3, 4, 5)]
    for planted in (numbers, []):
        report = inspect_scan(write_stl(with_blocks(arch, planted)), "scan.stl").report
        told = [f for f in report["findings"] if f["code"] in ("bonded_parts", "bubble", "spike")]
        assert [f["code"] for f in told] == ["bonded_parts"] * (len(planted) > 0)
        if planted:
            assert told[0]["side"] == "facial"
            count = int(re.search(r"outer side of (\d+) teeth", told[0]["message"])[1])
            assert count in (5, 6, 7)  # six, and one more or less

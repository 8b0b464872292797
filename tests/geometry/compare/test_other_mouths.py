"""Same mouth or not, on patients of the second generator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fixtures.mouths import Spec, make_mouth, part_of, patient, scan_of
from geometry.compare import compare
from geometry.mesh import Mesh


def scanned(spec: Spec) -> Mesh:
    vertices, faces, _ = make_mouth(replace(spec, triangles=45_000))
    return Mesh(vertices, faces.astype(np.int32))


def test_part_of_a_mouth_months_later_is_known_again_and_its_likes_are_not() -> None:
    rng = np.random.default_rng([3, 99])
    who = patient(rng)
    first = scanned(scan_of(who, rng))
    later = part_of(scan_of(who, rng), rng, 0.65)
    later = replace(later, moved=0.5, missing=later.missing | {25, 35})
    again = scanned(later)
    assert compare(first, again)["same_mouth"] == "yes"
    # the same form of the arch and the same habits, other teeth
    twin = scanned(replace(later, seed=who.seed + 1))
    assert compare(first, twin)["same_mouth"] != "yes"

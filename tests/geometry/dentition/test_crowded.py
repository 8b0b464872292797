"""Numbers of teeth in mouths as they come to be treated, of the second generator."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.mouths import Spec, make_mouth
from geometry.dentition import Dentition, analyse
from geometry.mesh import Mesh
from geometry.topology import analyse as analyse_topology


def read(spec: Spec) -> tuple[list[int], Dentition]:
    vertices, faces, truth = make_mouth(spec)
    mesh = Mesh(vertices, np.ascontiguousarray(faces.astype(np.int32)))
    found = analyse(mesh, truth, analyse_topology(mesh, self_intersections=False))
    numbers = [t.fdi for t in truth.teeth if t.seen]  # from −x, on a lower arch the left
    return (numbers if spec.arch == "upper" else numbers[::-1]), found


CROWDED = {42: 1.4, 41: 0.9, 31: 1.2, 32: 1.5, 33: 0.8}


@pytest.mark.parametrize(
    "spec",
    [
        Spec("lower", 21, crowding=CROWDED, tipped={41: (3.0, -2.0, 9.0), 32: (-4.0, 3.0, -12.0)}),
        # Invented: first premolars extracted and the spaces closed, as after treatment.
        Spec("upper", 5, missing=frozenset({14, 24}), gaps={15: -7.1, 25: -7.1}),
    ],
    ids=["crowded", "extracted"],
)
def test_a_number_is_right_or_said_to_be_unsure(spec: Spec) -> None:
    numbers, found = read(replace(spec, triangles=30_000, posed=False))
    assert len(found.teeth) == len(numbers)
    for tooth, number in zip(found.teeth, numbers, strict=True):
        assert tooth.number == number or not tooth.number_sure
    assert found.teeth_report()["unsure"] == [t.number for t in found.teeth if not t.number_sure]

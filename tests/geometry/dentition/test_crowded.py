"""Numbers of teeth in mouths as they come to be treated, of the second generator."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.mouths import Spec, make_mouth
from geometry.dentition import Dentition, analyse
from geometry.dentition.row import gaps, spaces
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


def seen_from_above(ridges: dict[float, float]) -> np.ndarray:
    """Heights of a row from above, 20 mm of it: ridges by place across it, with their heights."""
    across = np.arange(-spaces.HALF_MM, spaces.HALF_MM + 0.01, spaces.CELL_MM)
    walls = [height - 2.5 * np.abs(across - at) for at, height in ridges.items()]
    return np.tile(np.maximum(np.max(walls, axis=0), -12.0), (round(20.0 / spaces.CELL_MM), 1))


@pytest.mark.parametrize(
    ("ridges", "one_behind_the_other"),
    [
        ({-3.0: 0.0, 3.5: -0.5}, True),
        ({0.5: 0.0}, False),  # in line, whatever lies between
        ({-1.0: 0.0, 2.0: 0.0}, False),  # a little before and behind each other
        ({-3.0: 0.0, 3.5: -4.0}, False),  # beside gum or an attachment, far lower
    ],
)
def test_crowded_front_teeth_have_no_space_where_they_overlap(
    ridges: dict[float, float], one_behind_the_other: bool
) -> None:
    assert gaps._overlap(seen_from_above(ridges), 9.0, 9.5, -0.5) is one_behind_the_other

"""The measure by rays, against a body whose undercut is known in closed form."""

import manifold3d
import numpy as np
import pytest
import trimesh

from tests.geometry.model.rays import deeper_than

LENGTH, OVER, UNDER, DEPTH = 20.0, 0.6, 3.0, 0.5


@pytest.mark.parametrize("turn", [0.0, 11.25, 14.0625])
def test_of_straight_ledges_what_lies_deeper_is_counted_whichever_way_they_run(turn):
    """Beside the middle lie the directions of sixteen or 64 rays; a tenth more would be .01 mm."""
    post = manifold3d.Manifold.cube([4.0, LENGTH, 2.0 * UNDER], True)
    plate = manifold3d.Manifold.cube([4.0 + 2.0 * OVER, LENGTH, 2.0 * UNDER], True)
    table = (post + plate.translate([0.0, 0.0, UNDER])).rotate([0.0, 0.0, turn])
    made = table.to_mesh64()
    mesh = trimesh.Trimesh(np.array(made.vert_properties), np.array(made.tri_verts))

    # From the ends of the plate light comes in as well.
    truth = 2.0 * (OVER - DEPTH) * UNDER * (LENGTH - 2.0 * DEPTH)

    assert deeper_than(mesh, DEPTH) == pytest.approx(truth, rel=0.05)

"""The base of a solid where mending laid a patch on it."""

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold

from geometry.mesh import Mesh
from geometry.model.bodies.solids import to_manifold
from geometry.model.bodies.underside import flat_base, folded_base
from geometry.model.surface.kinds import BASE, FILL, SCAN
from geometry.model.surface.skin import patched, skin_of, without


def block(hole=False):
    body = Manifold.cube((10.0, 10.0, 10.0))
    if hole:
        body -= Manifold.cube((2.0, 2.0, 12.0)).translate((6.0, 6.0, -1.0))
    mesh = body.refine(10).to_mesh64()
    return np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts, dtype=np.int32)


def open_at_a_corner(v, f):
    """Take the walls at a corner of the base away and patch them: the patch lies on the base."""
    kind = np.where((v[f, 2] == 0.0).all(axis=1), BASE, SCAN).astype(np.int8)
    near = np.linalg.norm(v[f].mean(axis=1) - (0.0, 0.0, 1.5), axis=1) < 3.0
    rest, openings, _ = without(skin_of(Mesh(v, f), kind), near & (kind != BASE))
    made = patched(rest, openings, FILL, smooth=False)
    return made.vertices, made.faces


@pytest.mark.parametrize("hole", [False, True])
def test_a_patch_that_lies_on_the_base_is_taken_out_with_what_it_covers(hole):
    """Judged by other libraries: one body, as large as before, on a base as large as its section."""
    v, f = open_at_a_corner(*block(hole))
    assert folded_base(v, f).any()
    flat_v, flat_f = flat_base(v, f)
    made = to_manifold(flat_v, flat_f)
    assert not folded_base(flat_v, flat_f).any()
    assert made.genus() == int(hole)
    assert len(made.decompose()) == 1
    assert made.volume() == pytest.approx(trimesh.Trimesh(v, f, process=False).volume)
    p = flat_v[flat_f[(flat_v[flat_f, 2] == 0.0).all(axis=1)], :2]
    area = 0.5 * np.cross(p[:, 2] - p[:, 0], p[:, 1] - p[:, 0]).sum()
    assert area == pytest.approx(made.slice(1e-9).area(), abs=1e-5)


def test_a_base_that_is_not_folded_is_left_as_it_is():
    v, f = block(hole=True)
    same_v, same_f = flat_base(v, f)
    assert same_v is v
    assert same_f is f

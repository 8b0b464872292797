"""A check body to print: an arch of posts, steps and slopes, the same under no turn.

Our own design, common practice for its size: as wide and deep as a dental model, so that
stretch across the arch shows; posts of different size, so that swelling of thick and of
thin parts shows.
"""

from __future__ import annotations

import manifold3d
import numpy as np

from geometry.mesh import Mesh

EDGE_MM = 1.2
WIDE, DEEP, BASE = 62.0, 50.0, 6.0
ARM = 13.0


def check_body() -> Mesh:
    """Return the check body, standing on z = 0, mm."""
    cube, cylinder = manifold3d.Manifold.cube, manifold3d.Manifold.cylinder
    base = cube((WIDE, DEEP, BASE)) - cube((WIDE - 2 * ARM, DEEP - ARM, BASE)).translate(
        (ARM, ARM, 0.0)
    )
    # One corner is cut off, so that no turn lays the body on itself.
    corner = cube((14.0, 14.0, 3.0 * BASE)).rotate((0.0, 0.0, 45.0))
    parts = [base - corner.translate((0.0, -9.9, -BASE))]
    posts = [
        (6.5, 43.0, 7.0, 3.6, 3.0),
        (6.5, 30.0, 8.5, 3.2, 2.4),
        (6.5, 17.5, 6.0, 2.6, 2.6),
        (21.0, 6.5, 9.0, 2.2, 1.2),
        (31.0, 6.5, 9.0, 1.6, 1.6),
        (41.0, 6.5, 9.0, 2.2, 1.2),
        (55.5, 17.5, 6.0, 3.2, 3.2),
    ]
    for x, y, high, low_radius, high_radius in posts:
        post = cylinder(high + 1.0, low_radius, high_radius, circular_segments=48)
        parts.append(post.translate((x, y, BASE - 1.0)))
    steps = [cube((9.0, 6.0, 1.0 + 1.5 * k)) for k in (1, 2, 3)]
    for k, step in enumerate(steps):
        parts.append(step.translate((51.0, 26.0 + 6.0 * k, BASE - 1.0)))
    body = manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Add)
    mesh = body.refine_to_length(EDGE_MM).to_mesh64()
    return Mesh(
        np.array(mesh.vert_properties[:, :3], order="C"),
        np.array(mesh.tri_verts, dtype=np.int32, order="C"),
    )

"""Open a body that came with a flat base of its own, so that it can be given ours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.model.base.cutting import cut_surface

Array = NDArray[np.float64]

DIRECTIONS = 200
FACING = 0.95
FLAT = 0.15
SHARE = 0.08
ABOVE = 0.4


def without_base(mesh: Mesh) -> Mesh | None:
    """Cut a flat base off, along its own plane; None where there is none.

    The base is the plane that holds the largest part of the surface.

    Parameters
    ----------
    mesh : Mesh
        Wound outwards, closed but for slits and small holes.
    """
    p = mesh.triangles
    cross = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    area = np.linalg.norm(cross, axis=1)
    unit = cross / np.maximum(area, 1e-12)[:, None]
    middle = p.mean(axis=1)
    # Spread evenly over the sphere along a spiral.
    k = np.arange(DIRECTIONS) + 0.5
    turn, height = np.pi * (1.0 + 5.0**0.5) * k, 1.0 - 2.0 * k / DIRECTIONS
    flat = np.sqrt(1.0 - height**2)
    ways = np.column_stack((np.cos(turn) * flat, np.sin(turn) * flat, height))
    weight = np.bincount((unit @ ways.T).argmax(axis=1), weights=area, minlength=DIRECTIONS)
    best, held = None, SHARE * float(area.sum())
    for way in np.argsort(-weight)[:4].tolist():
        normal = ways[way]
        for _ in range(4):
            facing = np.flatnonzero(unit @ normal > FACING)
            if not len(facing):
                break
            on = facing[_densest(middle[facing] @ normal, area[facing])]
            normal = cross[on].sum(axis=0) / np.linalg.norm(cross[on].sum(axis=0))
        else:
            if area[on].sum() > held:
                best, held = (normal, float(np.median(middle[on] @ normal))), area[on].sum()
    if best is None:
        return None
    normal, level = best
    v, f, _, _ = cut_surface(mesh.vertices, mesh.faces, level - ABOVE - mesh.vertices @ normal)
    return Mesh(v, f)


def _densest(depth: Array, area: Array) -> NDArray[np.int64]:
    """Return the rows whose depths lie in the one band that holds the most area."""
    order = np.argsort(depth)
    total = np.concatenate(([0.0], np.cumsum(area[order])))
    last = np.searchsorted(depth[order], depth[order] + 2.0 * FLAT)
    first = int(np.argmax(total[last] - total[:-1]))
    return order[first : last[first]]

"""Undercut measured by rays: a second way, beside the lattice that shapes the fill."""

from __future__ import annotations

import numpy as np
import trimesh
from trimesh.ray.ray_pyembree import RayMeshIntersector


def deeper_than(mesh: trimesh.Trimesh, depth: float) -> float:
    """Volume of air deeper than ``depth`` under overhangs, mm³, by rays (embreex, BSD).

    A point is in shadow when a ray straight up from it hits something; it lies deeper when
    all points around it, at that distance and nearer, are in shadow too.
    """
    rays, rng = RayMeshIntersector(mesh), np.random.default_rng(3)
    low, high = mesh.bounds
    points = rng.uniform(low, high, (250_000, 3))
    up = np.array([0.0, 0.0, 1.0])

    def shadowed(places):
        return rays.intersects_any(places, np.tile(up, (len(places), 1)))

    keep = points[shadowed(points)]
    for reach in (depth, 0.5 * depth):
        for angle in np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False):
            keep = keep[shadowed(keep + (reach * np.cos(angle), reach * np.sin(angle), 0.0))]
    # In air, not in the solid: an even count of crossings above.
    index = rays.intersects_location(keep, np.tile(up, (len(keep), 1)), multiple_hits=True)[1]
    air = np.bincount(index, minlength=len(keep)) % 2 == 0
    return float(air.sum()) / len(points) * float(np.prod(high - low))

"""A straight wall around a scan: the trimmed base of a plaster or printed model.

Gum bulges and hollows on its way down; a wall that was cut or cast runs straight. So the
outline of the scan is taken level by level, and around most of it is looked for a stretch
on which it does not change.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.axes import basis_along, own_axes
from geometry.mesh import Mesh

Array = NDArray[np.float64]

SECTORS, LEVEL_MM = 90, 0.5
TALL_MM = 7.0
"""Gum hardly runs straight for so long."""

OFF_MM, SLOPE = 0.08, 0.1
"""Root mean square of what a wall stands off a straight line, and how far it may lean."""

AROUND = 0.5
"""Share of the directions in which the outline is straight: of scans of plaster models over 0.6,
of most others under 0.45 (generated ones). The open side of a horseshoe has no wall."""

LEANING = (0.5, 0.35, 0.25, 0.2, 0.2)
"""Faces lean at most so much (sine) against the axis of a wall, round after round."""

NARROWEST_MM = 10.0


def _axis(vertices: Array, normals: Array, area: Array) -> Array:
    """Direction that most of the faces which stand about along it run along, (3,)."""
    axis = np.asarray(np.linalg.eigh(np.cov(vertices.T))[1][:, 0])
    for lean in LEANING:
        along = np.abs(normals @ axis) < lean
        weighted = normals[along] * area[along, None]
        axis = np.asarray(np.linalg.eigh(weighted.T @ normals[along])[1][:, 0])
    return axis


def walled_share(mesh: Mesh) -> float:
    """Return in what share of the directions around it a scan has a straight, tall wall.

    Parameters
    ----------
    mesh : Mesh
        In mm; any pose and winding.
    """
    corners = mesh.triangles
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normals, axis=1)
    if not area.sum() > 0.0:
        return 0.0
    normals /= np.maximum(area, 1e-12)[:, None]
    middles = corners.mean(axis=1)
    axis = _axis(middles, normals, area)
    basis = basis_along(axis, own_axes(middles))
    points = np.concatenate([corners[:, 0], middles, 0.5 * (corners[:, 1] + corners[:, 2])])
    flat = points @ basis[:2].T
    flat -= 0.5 * (flat.min(axis=0) + flat.max(axis=0))
    height = points @ axis
    sector = ((np.arctan2(flat[:, 1], flat[:, 0]) / (2.0 * np.pi) + 0.5) * SECTORS).astype(np.int64)
    level = ((height - height.min()) / LEVEL_MM).astype(np.int64)
    levels, tall = int(level.max()) + 1, round(TALL_MM / LEVEL_MM)
    if levels < tall:
        return 0.0
    outline = np.zeros((SECTORS, levels))
    np.maximum.at(outline, (sector % SECTORS, level), np.hypot(flat[:, 0], flat[:, 1]))
    outline[outline < NARROWEST_MM] = np.nan
    part = np.lib.stride_tricks.sliding_window_view(outline, tall, axis=1)
    at = LEVEL_MM * (np.arange(tall) - 0.5 * (tall - 1))
    slope = (part * at).sum(axis=2) / (at @ at)
    off = part - part.mean(axis=2, keepdims=True) - slope[..., None] * at
    straight = (np.abs(slope) < SLOPE) & (np.sqrt((off**2).mean(axis=2)) < OFF_MM)
    return float(straight.any(axis=1).mean())

"""Crown by crown: does the same tooth stand there?

Teeth move and scans end anywhere, but the shape of a crown is a person's own.
Around each incisal edge and cusp tip a patch of one scan is laid on the other
with a small motion of its own; what distance is left says whether it is the
same crown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.compare.icp import register_samples
from geometry.compare.samples import Samples

PATCH_RADIUS_MM = 3.2
PATCH_APART_MM = 3.0
PATCH_POINTS = 160
LEAST_POINTS = 40
LEAST_MATCHED = 0.7
LONGEST_SHIFT_MM = 1.5
SCHEDULE = [(1.5, 0.5, 3), (1.0, 0.2, 5), (0.8, 0.12, 3)]


@dataclass(frozen=True, slots=True)
class CrownMatch:
    """How the crown patches fit.

    Attributes
    ----------
    left_mm : (k,) float64
        Distance left on each patch that could be compared, root mean square of
        at most 0.5 mm a point.
    moved_mm : (k,) float64
        How far each moved against the whole.
    centres : (k, 3) float64
        Where each lies in the source, mm.
    """

    left_mm: NDArray[np.float64]
    moved_mm: NDArray[np.float64]
    centres: NDArray[np.float64]

    @property
    def typical_mm(self) -> float:
        """Median distance left; NaN without patches."""
        return float(np.median(self.left_mm)) if self.left_mm.size else float("nan")


def match_crowns(
    target: Samples,
    source: Samples,
    tips: NDArray[np.float64],
    motion: NDArray[np.float64],
) -> CrownMatch:
    """Lay the patches of ``source`` around ``tips`` on ``target``, starting at ``motion``.

    Parameters
    ----------
    tips : (n, 3) float64
        In the coordinates of ``source``, mm.
    motion : (4, 4) float64
        Of the whole source onto the target.
    """
    centres: list[NDArray[np.float64]] = []
    for tip in tips:
        if all(np.linalg.norm(tip - other) > PATCH_APART_MM for other in centres):
            centres.append(tip)
    moved_tips = np.array(centres) @ motion[:3, :3].T + motion[:3, 3]
    away, _ = target.tree.query(moved_tips)
    tree = cKDTree(source.points)
    left, moved, compared = [], [], []
    for centre, distance in zip(centres, away, strict=True):
        if distance > 2.0:
            continue
        rows = np.array(tree.query_ball_point(centre, PATCH_RADIUS_MM), dtype=np.int64)
        rows = rows[~source.border[rows]]
        if rows.size < LEAST_POINTS:
            continue
        rows = rows[:: max(1, rows.size // PATCH_POINTS)]
        fit = register_samples(target, source, rows, motion, SCHEDULE)
        here = motion[:3, :3] @ centre + motion[:3, 3]
        there = fit.motion[:3, :3] @ centre + fit.motion[:3, 3]
        shift = float(np.linalg.norm(there - here))
        if fit.matched < LEAST_MATCHED or shift > LONGEST_SHIFT_MM:
            continue
        points = source.points[rows] @ fit.motion[:3, :3].T + fit.motion[:3, 3]
        apart, index = target.tree.query(points)
        offset = ((points - target.points[index]) * target.normals[index]).sum(axis=1)
        offset = np.where(apart < 1.5, np.minimum(np.abs(offset), 0.5), 0.5)
        offset = offset[~target.border[index]]
        if offset.size < LEAST_POINTS // 2:
            continue
        left.append(float(np.sqrt(np.mean(np.sort(offset)[: int(0.9 * offset.size)] ** 2))))
        moved.append(shift)
        compared.append(centre)
    return CrownMatch(np.array(left), np.array(moved), np.reshape(compared, (-1, 3)))

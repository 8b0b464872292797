"""Lay one step on another: rigid or of another size, robust against teeth that moved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.motion import small_motion
from geometry.series.surface import Surface

SAME_DIRECTION = 0.5
"""Least cosine between normals of a pair; a wrong winding is not held against a mesh."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A motion and what it leaves.

    Attributes
    ----------
    motion : (4, 4) float64
    offsets : (n,) float64
        Signed distances of the moved points along the target's normals, mm; nan where the
        target has nothing within reach.
    """

    motion: NDArray[np.float64]
    offsets: NDArray[np.float64]

    @property
    def ratio(self) -> float:
        """By how much the motion enlarges."""
        return float(np.cbrt(np.linalg.det(self.motion[:3, :3])))

    def share_within(self, limit: float) -> float:
        """Share of all points nearer than ``limit``."""
        with np.errstate(invalid="ignore"):
            return float((np.abs(self.offsets) < limit).mean())


def offsets_of(
    target: Surface, points: NDArray[np.float64], normals: NDArray[np.float64], reach: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return signed distances (nan where there is no partner) and the partners' normals."""
    feet, face = target.nearest(points, reach)
    there = target.normals[np.maximum(face, 0)]
    agree = (face >= 0) & (np.abs((there * normals).sum(axis=1)) > SAME_DIRECTION)
    return np.where(agree, ((points - feet) * there).sum(axis=1), np.nan), there


def fit(
    target: Surface,
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    start: NDArray[np.float64],
    schedule: list[tuple[float, float, int]],
    damping: float = 1e-6,
    sized: bool = False,
) -> Fit:
    """Move points onto a surface by robust point-to-plane steps.

    Parameters
    ----------
    schedule : list of (reach mm, scale mm, rounds)
        Geman and McClure's weights of that scale; partners within the reach.
    damping : float
        Share of the weight that holds back motions the surface does not show.
    sized : bool
        Whether the points may be enlarged as well.
    """
    motion, ratio = start, 1.0
    reach = schedule[-1][0]
    for reach, scale, rounds in schedule:
        for _ in range(rounds):
            moved = points @ motion[:3, :3].T + motion[:3, 3]
            turn = motion[:3, :3].T / ratio
            offset, there = offsets_of(target, moved, normals @ turn, reach)
            use = np.isfinite(offset)
            if use.sum() < 12:
                break
            p, n, d = moved[use], there[use], offset[use]
            weight = (scale * scale / (scale * scale + d * d)) ** 2
            middle = p.mean(axis=0)
            size = max(float(np.sqrt(((p - middle) ** 2).sum(axis=1).mean())), 1e-3)
            arm = p - middle
            columns = [np.cross(arm, n) / size, n]
            if sized:
                columns.append((arm * n).sum(axis=1)[:, None] / size)
            rows = np.concatenate(columns, axis=1)
            weighted = rows * weight[:, None]
            system = weighted.T @ rows + np.eye(rows.shape[1]) * damping * weight.sum()
            change = -np.linalg.solve(system, weighted.T @ d)
            most = float(np.abs(change).max())
            change[:3] /= size
            step = small_motion(change[:6])
            if sized:
                grown = float(np.exp(change[6] / size))
                step[:3, :3] *= grown
                ratio *= grown
            step[:3, 3] += middle - step[:3, :3] @ middle
            motion = step @ motion
            if most < 2e-4:
                break
    moved = points @ motion[:3, :3].T + motion[:3, 3]
    offset, _ = offsets_of(target, moved, normals @ motion[:3, :3].T / ratio, reach)
    return Fit(motion, offset)

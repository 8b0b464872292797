"""Rigid registration of surface samples, robust against what is not there in both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.compare.samples import Samples
from geometry.motion import small_motion

SAME_DIRECTION = 0.6
"""Least cosine between the normals of a pair."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A motion of ``b`` onto ``a`` and how well it fits.

    Attributes
    ----------
    motion : (4, 4) float64
    matched : float
        Share of the moved points with a partner within the last reach.
    rms_mm : float
        Of the point-to-plane distances of those, each counted up to the last scale.
    """

    motion: NDArray[np.float64]
    matched: float
    rms_mm: float


def partners(
    target: Samples, points: NDArray[np.float64], normals: NDArray[np.float64], reach: float
) -> tuple[NDArray[np.bool_], NDArray[np.int64], NDArray[np.float64]]:
    """Find what lies on the target beside points with these normals, (n, 3) both.

    Returns
    -------
    found : (n,) bool
        Whether a partner within the reach (mm) faces the same way and is no border.
    index : (n,) int64
        Its row.
    offset : (n,) float64
        Signed distance from its plane, mm.
    """
    distance, index = target.tree.query(points, distance_upper_bound=reach)
    found = np.isfinite(distance)
    safe = np.where(found, index, 0)
    agree = np.abs((normals * target.normals[safe]).sum(axis=1)) > SAME_DIRECTION
    offset = ((points - target.points[safe]) * target.normals[safe]).sum(axis=1)
    return found & agree & ~target.border[safe], safe, offset


def register_samples(
    target: Samples,
    source: Samples,
    rows: NDArray[np.int64],
    start: NDArray[np.float64],
    schedule: list[tuple[float, float, int]],
) -> Fit:
    """Move ``source[rows]`` onto ``target`` by robust point-to-plane steps.

    Parameters
    ----------
    start : (4, 4) float64
    schedule : list of (reach mm, scale mm, rounds)
        Partners farther than the reach are not used; distances are weighed by
        Geman and McClure's function of that scale.
    """
    points0, normals0 = source.points[rows], source.normals[rows]
    motion = start
    reach = scale = 0.0
    for reach, scale, rounds in schedule:
        for _ in range(rounds):
            points = points0 @ motion[:3, :3].T + motion[:3, 3]
            normals = normals0 @ motion[:3, :3].T
            use, index, offset = partners(target, points, normals, reach)
            if use.sum() < 12:
                break
            p, n, d = points[use], target.normals[index[use]], offset[use]
            weight = (scale * scale / (scale * scale + d * d)) ** 2
            middle = p.mean(axis=0)
            rows6 = np.concatenate([np.cross(p - middle, n), n], axis=1)
            weighted = rows6 * weight[:, None]
            system = weighted.T @ rows6 + np.eye(6) * 1e-6 * weight.sum()
            step = small_motion(-np.linalg.solve(system, weighted.T @ d))
            step[:3, 3] += middle - step[:3, :3] @ middle
            motion = step @ motion
            turned = np.abs(step[:3, :3] - np.eye(3)).max()
            if (
                turned < 2e-5
                and np.linalg.norm(step[:3, :3] @ middle + step[:3, 3] - middle) < 1e-3
            ):
                break
    points = points0 @ motion[:3, :3].T + motion[:3, 3]
    use, _, offset = partners(target, points, normals0 @ motion[:3, :3].T, reach)
    near = np.minimum(np.abs(offset[use]), scale)
    rms = float(np.sqrt(np.mean(near**2))) if near.size else scale
    return Fit(motion, float(use.mean()), rms)

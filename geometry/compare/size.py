"""Is one of two scans of a mouth larger than the other?

A scanner out of calibration and a file in the wrong units make the same teeth larger or
smaller. Laid on each other as they are, their crowns do not agree.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.compare.icp import partners
from geometry.compare.register import FINE_POINTS, Prepared
from geometry.compare.samples import Samples
from geometry.motion import small_motion

SCHEDULE = [(4.0, 2.0, 8), (3.0, 1.0, 8), (2.0, 0.5, 12), (1.5, 0.25, 12)]
LEAST_PAIRS = 200
MOST = 0.3
"""Larger or smaller than this, files differ by their units and are told by their size alone."""


def sized(scan: Prepared, ratio: float) -> Prepared:
    """Return the scan enlarged by ``ratio`` about the origin of its local coordinates."""
    samples = scan.samples
    grown = Samples.of(samples.points * ratio, samples.normals, samples.border)
    to_local = np.diag([ratio, ratio, ratio, 1.0]) @ scan.to_local
    return replace(scan, samples=grown, tips=scan.tips * ratio, to_local=to_local)


def spread_ratio(a: Prepared, b: Prepared) -> float:
    """How much wider the teeth of ``a`` are spread than those of ``b``, both whole arches."""
    one, two = (float(np.sqrt(scan.tips.var(axis=0).sum())) for scan in (a, b))
    return float(np.clip(one / max(two, 1e-9), 1.0 - MOST, 1.0 + MOST))


def size_ratio(a: Prepared, b: Prepared, start: NDArray[np.float64]) -> float:
    """Return by how much ``b`` has to be enlarged to lie on ``a`` best.

    Robust point-to-plane steps as in :func:`geometry.compare.icp.register_samples`, the size
    being free as well.

    Parameters
    ----------
    a, b : Prepared
    start : (4, 4) float64
        Rigid motion of ``b`` onto ``a`` in their local coordinates.
    """
    rows = b.samples.thinned(FINE_POINTS)
    points, normals = b.samples.points[rows], b.samples.normals[rows] @ start[:3, :3].T
    points = points @ start[:3, :3].T + start[:3, 3]
    ratio = 1.0
    for reach, scale, rounds in SCHEDULE:
        for _ in range(rounds):
            use, index, offset = partners(a.samples, points, normals, reach)
            if use.sum() < LEAST_PAIRS:
                return ratio
            p, n, d = points[use], a.samples.normals[index[use]], offset[use]
            weight = (scale * scale / (scale * scale + d * d)) ** 2
            middle = p.mean(axis=0)
            arm = p - middle
            table = np.concatenate([np.cross(arm, n), n, (arm * n).sum(axis=1)[:, None]], axis=1)
            weighted = table * weight[:, None]
            system = weighted.T @ table + np.eye(7) * 1e-6 * weight.sum()
            change = -np.linalg.solve(system, weighted.T @ d)
            step, grown = small_motion(change[:6]), float(np.exp(change[6]))
            points = grown * ((points - middle) @ step[:3, :3].T) + middle + step[:3, 3]
            normals = normals @ step[:3, :3].T
            ratio *= grown
            if abs(ratio - 1.0) > MOST:
                return ratio
            if np.abs(change).max() < 2e-5:
                break
    return ratio

"""Registration of two scans of one arch, whatever their poses and however much they share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.compare.icp import Fit, register_samples
from geometry.compare.samples import Samples, take_samples
from geometry.compare.start import first_guesses
from geometry.frame import Frame, find_frame
from geometry.mesh import Mesh

CELL_MM = 0.5
GUESSES = 8
FOLLOWED = 3
COARSE_POINTS = 700
FINE_POINTS = 5000
COARSE = [(5.0, 2.0, 6), (3.0, 1.0, 6)]
FINE = [(3.0, 1.0, 4), (2.0, 0.5, 10), (1.5, 0.25, 15)]
NEAR_MM = 1.0
"""A point with the other surface this near lies in the overlap."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A scan ready to be registered.

    Attributes
    ----------
    frame : Frame
    samples : Samples
        In (across, anterior, occlusal) coordinates of ``to_local``.
    to_local : (4, 4) float64
        Rigid motion from file coordinates; right-handed, occlusal along the third axis.
    tips : (n, 3) float64
        Tips of the teeth in those coordinates.
    """

    frame: Frame
    samples: Samples
    to_local: NDArray[np.float64]
    tips: NDArray[np.float64]

    def mirrored(self) -> Prepared:
        """Return the mirror image (across the midline)."""
        flip = np.array([-1.0, 1.0, 1.0])
        points, normals = self.samples.points * flip, self.samples.normals * flip
        samples = Samples.of(points, normals, self.samples.border)
        return Prepared(self.frame, samples, self.to_local, self.tips * flip)


@dataclass(frozen=True, slots=True)
class Registration:
    """Where ``b`` lies on ``a``.

    Attributes
    ----------
    transform : (4, 4) float64
        From the file coordinates of ``b`` to those of ``a``.
    rms_mm, p95_mm : float
        Of the distances of points of ``b`` from the surface of ``a`` in the overlap.
    overlap : float
        Share of the smaller scan that the other one covers, 0 to 1.
    distances : (n,) float64
        Point-to-plane distances in the overlap, absolute, mm.
    local : (4, 4) float64
        The motion in the local coordinates of the two prepared scans.
    """

    transform: NDArray[np.float64]
    rms_mm: float
    p95_mm: float
    overlap: float
    distances: NDArray[np.float64]
    local: NDArray[np.float64]


def prepare(mesh: Mesh) -> Prepared:
    """Find the frame of a scan and sample it.

    Raises
    ------
    GeometryError
        When no teeth are recognised.
    """
    frame = find_frame(mesh)
    across = np.cross(frame.anterior, frame.occlusal)
    to_local = np.eye(4)
    to_local[:3, :3] = np.stack([across, frame.anterior, frame.occlusal])
    to_local[:3, 3] = -to_local[:3, :3] @ frame.origin
    local = mesh.transformed(to_local)
    tips = frame.tips @ to_local[:3, :3].T + to_local[:3, 3]
    return Prepared(frame, take_samples(local, CELL_MM), to_local, tips)


def inverse(motion: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the way back of a rigid motion (4, 4)."""
    back = np.eye(4)
    back[:3, :3] = motion[:3, :3].T
    back[:3, 3] = -motion[:3, :3].T @ motion[:3, 3]
    return back


def quality(fit: Fit) -> float:
    """How much of a scan fits how well, 0 to 1; compares fits with one schedule only."""
    return fit.matched * max(0.0, 1.0 - fit.rms_mm)


def best_motion(a: Prepared, b: Prepared) -> Fit:
    """Return the best motion of ``b`` onto ``a`` in their local coordinates."""
    few = b.samples.thinned(COARSE_POINTS)
    tries = [
        register_samples(a.samples, b.samples, few, guess, COARSE)
        for guess in first_guesses(a.tips, b.tips, GUESSES)
    ]
    tries.sort(key=lambda fit: -quality(fit))
    many = b.samples.thinned(FINE_POINTS)
    kept: list[Fit] = []
    for fit in tries:
        if any(np.abs(fit.motion - other.motion).max() < 0.5 for other in kept):
            continue
        kept.append(fit)
        if len(kept) == FOLLOWED:
            break
    middle = b.samples.thinned(2 * COARSE_POINTS)
    followed = [register_samples(a.samples, b.samples, middle, f.motion, FINE[:2]) for f in kept]
    best = max(followed, key=quality)
    return register_samples(a.samples, b.samples, many, best.motion, FINE)


def _covered(
    target: Samples, source: Samples, motion: NDArray[np.float64], near: float
) -> tuple[float, NDArray[np.float64]]:
    """Share of ``source`` that ``target`` covers, and the distances there."""
    points = source.points @ motion[:3, :3].T + motion[:3, 3]
    apart, index = target.tree.query(points)
    offset = ((points - target.points[index]) * target.normals[index]).sum(axis=1)
    beside = (apart < np.hypot(near, CELL_MM)) & (np.abs(offset) < near)
    inner = beside & ~target.border[index]
    return float(beside.mean()), np.abs(offset[inner])


def describe(a: Prepared, b: Prepared, motion: NDArray[np.float64]) -> Registration:
    """Measure what a motion of ``b`` onto ``a`` gives."""
    of_b, distances = _covered(a.samples, b.samples, motion, NEAR_MM)
    of_a, _ = _covered(b.samples, a.samples, inverse(motion), NEAR_MM)
    if distances.size == 0:
        distances = np.array([NEAR_MM])
    return Registration(
        transform=inverse(a.to_local) @ motion @ b.to_local,
        rms_mm=float(np.sqrt(np.mean(distances**2))),
        p95_mm=float(np.percentile(distances, 95)),
        overlap=max(of_a, of_b),
        distances=distances,
        local=motion,
    )


def register(a: Mesh, b: Mesh) -> Registration:
    """Register scan ``b`` on scan ``a``.

    Parameters
    ----------
    a, b : Mesh
        Scans of one arch, in mm, any poses; they need to share about 60 % of the
        smaller one.

    Returns
    -------
    Registration

    Raises
    ------
    GeometryError
        When no teeth are recognised on one of them.
    """
    one, two = prepare(a), prepare(b)
    return describe(one, two, best_motion(one, two).motion)

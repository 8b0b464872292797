"""A second look before two scans are called different mouths: one frame may have failed.

The first guesses rest on the frames of both scans. Where the occlusal plane of one was
taken for something else (a long vestibule, a tongue, ripples), no guess is near. So other
planes that could be the occlusal one are tried, of one scan and then of the other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.compare.icp import register_samples
from geometry.compare.register import (
    COARSE,
    COARSE_POINTS,
    FINE,
    FINE_POINTS,
    Prepared,
    inverse,
    quality,
)
from geometry.compare.start import first_guesses
from geometry.frame.plane import likely_planes
from geometry.frame.relief import basis_of
from geometry.frame.surface import Surface

PLANES = 6
GUESSES = 2
KNOWN_COS = float(np.cos(np.radians(10.0)))
"""Planes nearer to that of the frame than this were tried already."""


def _other_planes(scan: Prepared) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Motions (4, 4) that lay other planes flat, and the tips (n, 3) then seen, local, mm."""
    samples = scan.samples
    found = []
    for plane in likely_planes(Surface(samples.points, samples.border, np.zeros(3)), PLANES):
        if plane.axis[2] > KNOWN_COS:
            continue
        flat = np.eye(4)
        flat[:3, :3] = basis_of(plane.axis)
        flat[2, 3] = -plane.level
        found.append((flat, plane.tips.points))
    return found


def look_again(
    a: Prepared, b: Prepared, known: NDArray[np.float64]
) -> tuple[Prepared, NDArray[np.float64]] | None:
    """Find a better motion of ``b`` onto ``a`` than ``known`` without trusting both frames.

    Parameters
    ----------
    a, b : Prepared
    known : (4, 4) float64
        Motion in their local coordinates.

    Returns
    -------
    ``b`` with the tips that were seen, and the motion (4, 4); None when nothing is better.
    """
    few, middle = b.samples.thinned(COARSE_POINTS), b.samples.thinned(2 * COARSE_POINTS)
    starts = []
    for flat, tips in _other_planes(b):
        seen = tips @ flat[:3, :3].T + flat[:3, 3]
        starts += [(guess @ flat, tips) for guess in first_guesses(a.tips, seen, GUESSES)]
    for flat, tips in _other_planes(a):
        seen = tips @ flat[:3, :3].T + flat[:3, 3]
        guesses = first_guesses(seen, b.tips, GUESSES)
        starts += [(inverse(flat) @ guess, b.tips) for guess in guesses]
    tries = [
        (register_samples(a.samples, b.samples, few, start, COARSE), tips) for start, tips in starts
    ]
    if not tries:
        return None
    best, tips = max(tries, key=lambda one: quality(one[0]))
    near = [
        register_samples(a.samples, b.samples, middle, motion, FINE[:2])
        for motion in (known, best.motion)
    ]
    if quality(near[1]) <= quality(near[0]):
        return None
    many = b.samples.thinned(FINE_POINTS)
    fit = register_samples(a.samples, b.samples, many, near[1].motion, FINE)
    return replace(b, tips=tips), fit.motion

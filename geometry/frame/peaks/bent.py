"""Which tips stand off the bent row that the others make?

Edges and cusps rise and fall along the curve of Spee, on both sides alike. Such a rise is
no outlier, but a tooth that is tipped, over-erupted or half erupted is one, above all the
last one: it has the longest lever, and pulls a plane so far that it hardly stands off it
any more. So the tips are fitted by a plane with a symmetric bend from front to back, with
a loss that takes no more notice of what is far off, and from four starts: with all tips,
and without the last teeth of one side, of the other and of both. The start that ends
best tells which tips stand off.

The loss is that of Geman and McClure, "Statistical methods for tomographic image
reconstruction", Bulletin of the International Statistical Institute 1987;52:5-21 (from
memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.frame.plane import REACH_ABOVE_MM, SUNK_MM, OcclusalPlane, mean_plane, refit

Array = NDArray[np.float64]

LAST_TOOTH_MM = 9.0
"""Length of the row at either end that is left out of a start."""

UNIT_MM = 25.0
COUNTS = 0.3
"""The row ends at its last tip that counts at least so much."""

ROUNDS = 15

MOST_DEG = 2.0
"""Where leaving out the tips that stand off would turn the plane more than this, it is less and
less known which ones do; from twice as much on none is left out."""

MANY, TOO_MANY = 0.32, 0.4
"""Share of the tips off the plane: beyond it they are no outliers but another level."""

HALFWAY = 0.5
"""Whether a tooth that stands off belongs to the plane is a matter of definition: the plane lies
halfway, and so is off by little whichever is meant."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """How soon a tip is left to itself.

    Attributes
    ----------
    loss_mm : float
        Where the loss begins to level off.
    hold : float
        Cost of a bend of 1 mm over ``UNIT_MM``, squared: mouths differ in it, but not by much.
    off_mm, soft_mm : float
        A tip so far off counts fully; ``soft_mm`` farther off it counts half.
    """

    loss_mm: float
    hold: float
    off_mm: float
    soft_mm: float = 1.0


USUAL = Doubt(loss_mm=1.5, hold=0.008, off_mm=1.2)
STRICT = Doubt(loss_mm=1.0, hold=0.03, off_mm=0.7)


@njit(cache=True, nogil=True)
def _bent(terms, height, share, starts, loss, hold, rounds):  # type: ignore[no-untyped-def]
    """Residuals from the best bent plane; ``starts`` (k, n) says what each start counts."""
    n, m = terms.shape
    total = share.sum()
    best = 1e18
    found = height.copy()
    off = np.empty(n)
    for k in range(starts.shape[0]):
        weight = starts[k].copy()
        bend = 0.0
        for _ in range(rounds):
            normal = np.zeros((m, m))
            right = np.zeros(m)
            for i in range(n):
                w = share[i] * weight[i]
                for a in range(m):
                    right[a] += w * terms[i, a] * height[i]
                    for b in range(m):
                        normal[a, b] += w * terms[i, a] * terms[i, b]
            for a in range(m):
                normal[a, a] += 1e-6 * total
            normal[m - 1, m - 1] += hold * total
            fit = np.linalg.solve(normal, right)
            bend = fit[m - 1]
            for i in range(n):
                at = 0.0
                for a in range(m):
                    at += fit[a] * terms[i, a]
                off[i] = height[i] - at
                weight[i] = 1.0 / (1.0 + (off[i] / loss) ** 2) ** 2
        cost = hold * (bend / loss) ** 2
        for i in range(n):
            squared = (off[i] / loss) ** 2
            cost += share[i] / total * squared / (1.0 + squared)
        if cost < best:
            best = cost
            found[:] = off
    return found


def standing_off(places: Array, along: Array, share: Array, doubt: Doubt) -> Array:
    """Return how much each tip counts for standing in a row with the others, 0 to 1.

    Parameters
    ----------
    places : (n, 3) float64
        Across, anterior and height over a plane near the one looked for, mm.
    along : (n,) float64
        Places along the row of teeth, mm.
    share : (n,) float64
        How much each tip counts for other reasons; at least three more than 0.
    doubt : Doubt

    Returns
    -------
    (n,) float64
    """
    middle = np.average(places[:, :2], axis=0, weights=share)
    x, y = ((places[:, :2] - middle) / UNIT_MM).T
    terms = np.stack([np.ones_like(x), x, y, y * y], axis=1)
    row = along[share >= COUNTS] if (share >= COUNTS).any() else along
    right, left = along < row.max() - LAST_TOOTH_MM, along > row.min() + LAST_TOOTH_MM
    starts = np.stack([np.ones_like(right), right, left, right & left]).astype(np.float64)
    starts = starts[starts @ share > 0.5 * share.sum()]
    off = _bent(terms, places[:, 2], share, starts, doubt.loss_mm, doubt.hold, ROUNDS)
    beyond = np.maximum(np.abs(off) - doubt.off_mm, 0.0) / doubt.soft_mm
    return np.asarray(1.0 / (1.0 + beyond**2))


@dataclass(frozen=True, slots=True)
class View:
    """What is known of the tips from one relief.

    Attributes
    ----------
    plane : OcclusalPlane
        Fitted to its own tips.
    more : (k, 3) float64
        Other biting places, surface coordinates.
    share : (n + k,) float64
        How much each of the tips, then each of the places, counts.
    along : (n + k,) float64
        Where they lie along the row of teeth, mm.
    """

    plane: OcclusalPlane
    more: Array
    share: Array
    along: Array

    def fitted(self) -> OcclusalPlane:
        """Return the plane of all of them."""
        return refit(self.plane, self.more, self.share)

    def in_row(self, all_of_them: OcclusalPlane, front: Array, doubt: Doubt) -> OcclusalPlane:
        """Return the plane of those that stand in a row; ``front`` points to the front teeth."""
        points = np.concatenate([self.plane.tips.points, self.more])
        height = points @ all_of_them.axis - all_of_them.level
        near = (height >= -SUNK_MM) & (height <= REACH_ABOVE_MM)
        forward = front - (front @ all_of_them.axis) * all_of_them.axis
        forward /= np.linalg.norm(forward)
        across = np.cross(forward, all_of_them.axis)
        places = np.stack([points @ across, points @ forward, height], axis=1)
        counts = standing_off(places, self.along, self.share * near, doubt)
        return refit(self.plane, self.more, self.share * counts)


def _degrees(a: Array, b: Array) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b, -1.0, 1.0))))


@dataclass(frozen=True, slots=True)
class Levels:
    """Planes of one row of teeth.

    Attributes
    ----------
    every : OcclusalPlane
        Of all the tips.
    plane : OcclusalPlane
        Halfway to that of those which stand in a row.
    rival_deg : float
        How far from it the plane lies that leaves still more of them out.
    """

    every: OcclusalPlane
    plane: OcclusalPlane
    rival_deg: float


def level_planes(settled: OcclusalPlane, views: Sequence[View], front: Array) -> Levels:
    """Return the planes over several reliefs; ``front`` (3,) points to the front teeth."""
    fitted = [view.fitted() for view in views]
    every = mean_plane(settled, fitted)
    usual, strict = (
        mean_plane(settled, [v.in_row(f, front, doubt) for v, f in zip(views, fitted, strict=True)])
        for doubt in (USUAL, STRICT)
    )
    turned = _degrees(every.axis, usual.axis)
    part = HALFWAY * min(1.0, max(0.0, 2.0 * MOST_DEG - turned) / max(turned, 1e-9))
    part *= float(np.clip((TOO_MANY - every.uneven) / (TOO_MANY - MANY), 0.0, 1.0))
    plane = mean_plane(settled, [every, usual], [1.0 - part, part])
    return Levels(every, plane, _degrees(plane.axis, strict.axis))

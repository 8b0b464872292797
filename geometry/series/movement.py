"""How far single teeth move from one step to the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.series.fitting import fit
from geometry.series.mouths import Mouth
from geometry.series.surface import Surface

PATCH_MM = 3.0
PATCH_HEIGHT_MM = 5.0
APART_MM = 4.0
LEAST_POINTS = 40
POINTS = 20_000
_SCHEDULE = [(1.5, 0.5, 6), (1.0, 0.1, 10), (0.6, 0.05, 12)]
"""At last so finely that neighbours which moved otherwise no longer hold a crown back: on rigid
crowns movement was told 0.01 mm too small before."""
_DAMPING = 0.003
LEFT_MM = 0.1
"""Root mean square distance left after a patch was fitted, above which it is not believed."""
SLIDES = 0.01
"""Mean square of the normals' share in some direction, below which a patch could slide along it:
a ridge of gum behind the last molar had 0.001, crowns of generated arches 0.015 and more."""
NORMAL = 1.4826
"""Standard deviation of what is normally distributed, by the median of its sizes."""
LEAST_MOVE_MM, NOISE_TIMES = 0.018, 3.0
"""Copies with other triangles and in other poses seemed to move by up to 0.013 mm, with noise
of 0.02 mm by up to 0.07 mm; one tooth moved by 0.05 mm was measured as 0.024 mm at least."""


@dataclass(frozen=True, slots=True)
class Movement:
    """Movement of crowns between two steps.

    Attributes
    ----------
    largest_mm : float
        Of the crown that moved most.
    at : (3,) float64
        Where that crown is.
    patches : int
        Crown patches that could be followed.
    left_mm : float
        Root mean square distance that fitting leaves, median over the patches: what noise
        and other triangles make.
    noise_mm: float
        The same from the middle of all distances, which neighbours that moved otherwise do not
        raise.
    """

    largest_mm: float
    at: NDArray[np.float64]
    patches: int
    left_mm: float
    noise_mm: float

    @property
    def clear(self) -> bool:
        """Whether a crown moved by more than noise and other triangles explain."""
        return self.largest_mm > max(LEAST_MOVE_MM, NOISE_TIMES * self.left_mm)


def crown_tips(mouth: Mouth) -> NDArray[np.float64]:
    """Return tips of the mouth's first framed step, thinned to one every few mm."""
    frame = mouth.frame
    if frame is None:
        return np.zeros((0, 3))
    kept: list[NDArray[np.float64]] = []
    for tip in frame.tips:
        if all(np.linalg.norm(tip - other) > APART_MM for other in kept):
            kept.append(tip)
    return np.array(kept).reshape(-1, 3)


def follow(
    before: Surface, after: Surface, tips: NDArray[np.float64], occlusal: NDArray[np.float64]
) -> tuple[Movement | None, NDArray[np.float64]]:
    """Fit the patch about each tip of one step to the next step.

    Parameters
    ----------
    before, after : Surface
        In common coordinates.
    tips : (n, 3) float64
        Crown tips of ``before``.
    occlusal : (3,) float64

    Returns
    -------
    movement : Movement or None
        None when no patch could be followed.
    tips : (n, 3) float64
        Where the tips are on ``after``.
    """
    points, normals = before.scatter(POINTS)
    height = points @ occlusal
    tree = cKDTree(points)
    moved_tips = tips.copy()
    largest, where = -1.0, np.zeros(3)
    left: list[float] = []
    middling: list[float] = []
    for k, tip in enumerate(tips):
        near = np.array(tree.query_ball_point(tip, PATCH_MM + 1.5), dtype=np.int64)
        if near.size:
            side = points[near] - tip
            across = side - (side @ occlusal)[:, None] * occlusal
            keep = np.linalg.norm(across, axis=1) < PATCH_MM
            near = near[keep & (height[near] > tip @ occlusal - PATCH_HEIGHT_MM)]
        if near.size < LEAST_POINTS or _slides(normals[near]):
            continue
        found = fit(after, points[near], normals[near], np.eye(4), _SCHEDULE, _DAMPING)
        known = np.isfinite(found.offsets)
        if known.mean() < 0.8:
            continue
        rest = float(np.sqrt(np.mean(found.offsets[known] ** 2)))
        if rest > LEFT_MM:
            continue
        left.append(rest)
        middling.append(NORMAL * float(np.median(np.abs(found.offsets[known]))))
        motion = found.motion
        moved_tips[k] = motion[:3, :3] @ tip + motion[:3, 3]
        middle = points[near].mean(axis=0)
        shift = float(np.linalg.norm(motion[:3, :3] @ middle + motion[:3, 3] - middle))
        if shift > largest:
            largest, where = shift, moved_tips[k]
    if not left:
        return None, moved_tips
    return (
        Movement(largest, where, len(left), float(np.median(left)), float(np.median(middling))),
        moved_tips,
    )


def _slides(normals: NDArray[np.float64]) -> bool:
    """Tell whether a surface with these normals (k, 3) fits as well a little farther on."""
    return bool(np.linalg.eigvalsh(normals.T @ normals / len(normals))[0] < SLIDES)

"""Steps that came out larger or smaller than the rest: scaled in the export, or other units."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from geometry.frame import Frame
from geometry.series.fitting import Fit, fit
from geometry.series.mouths import CROWN_HEIGHT_MM, NEAR_MM, SAME_ARCH_SHARE, Step, onto
from geometry.series.surface import Surface

POINTS = 1500
LEAST = 0.004
"""Teeth that move by 0.25 mm a step made steps seem larger than both beside them by less."""
LEAST_AT_END = 0.008
"""An end has both on one side; so much more must it differ than those do from each other."""
MOST = 0.3
"""By more, files differ in their units, which their size tells when they are read."""
ALIKE_MM, ALIKE_SHARE = 0.1, 0.6
"""What lies on another only at another size is the same mouth where so much of its crowns lies so
near then. Three steps apart at least 0.85 did, other mouths 0.3 at most though they came within
``NEAR_MM``: on series of two generated kinds, crowns united anew each step, noise 0.008 mm."""
_ROUGH = [(4.0, 1.5, 15), (2.5, 0.6, 15), (2.0, 0.25, 12)]
_FINE = [(2.0, 0.5, 10), (1.5, 0.15, 15)]


def size_beside(
    step: Surface, other: Surface, occlusal: Frame, start: NDArray[np.float64] | None = None
) -> float | None:
    """Return by how much the crowns of a step are larger than those of another.

    Parameters
    ----------
    step, other : Surface
    occlusal : Frame
        Of ``step``.
    start : (4, 4) float64, optional
        Lays ``step`` on the other; without it they share their coordinates.

    Returns
    -------
    float or None
        1 for the same size; None where the crowns do not agree at any size, from a start too
        where they are only much alike.
    """
    middle = step.mesh.triangles.mean(axis=1)
    crowns = (middle - occlusal.origin) @ occlusal.occlusal > -CROWN_HEIGHT_MM
    points, normals = step.scatter(POINTS, crowns)
    schedule = _FINE if start is None else [*_ROUGH, *_FINE]
    first = np.eye(4) if start is None else start
    found: Fit = fit(other, points, normals, first, schedule, sized=True)
    if found.share_within(NEAR_MM) < SAME_ARCH_SHARE or abs(found.ratio - 1.0) > MOST:
        return None
    if start is not None and found.share_within(ALIKE_MM) < ALIKE_SHARE:
        return None
    return 1.0 / found.ratio


def odd_sizes(steps: Sequence[Step], doubted: Sequence[int], frame: Frame) -> dict[int, float]:
    """Find those of the doubted steps, and of the ends, that are of another size than the rest.

    Teeth that are moved apart make each step a little larger than the one before and smaller
    than the one after; what is larger than both was enlarged. An enlarged step is unlike all
    others, which casts no doubt on an end.

    Parameters
    ----------
    steps : sequence of Step
        In common coordinates.
    doubted : sequence of int
        Places in ``steps``.
    frame : Frame

    Returns
    -------
    dict of place to ratio
    """
    out: dict[int, float] = {}
    ends = {0, len(steps) - 1}
    for k in sorted(ends.union(doubted)):
        rest = sorted((j for j in range(len(steps)) if j != k), key=lambda j: (abs(j - k), j))[:2]
        ratios = [size_beside(steps[k].surface, steps[j].surface, frame) for j in rest]
        known = [r - 1.0 for r in ratios if r is not None]
        if len(known) < 2:
            continue
        if k in ends:
            known.append(2.0 * known[0] - known[1])
        least = LEAST_AT_END if k in ends else LEAST
        if min(known) > least or max(known) < -least:
            out[k] = 1.0 + known[0]
    return out


def other_size(step: Step, target: Step) -> float | None:
    """Return the ratio of a step that lies on another only when its size is changed."""
    if step.frame is None or target.frame is None:
        return None
    for turn in (0.0, 4.0, -4.0):
        start = onto(target.frame, step.frame, np.radians(turn))
        ratio = size_beside(step.surface, target.surface, step.frame, start)
        if ratio is not None and abs(ratio - 1.0) > LEAST:
            return ratio
    return None

"""Few models in rows, as a person would lay them out: upright, in their order, evenly apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

MOST_ROWS = 6


def in_rows(
    outlines: Sequence[shapely.Polygon], plate: tuple[float, float], gap: float
) -> NDArray[np.float64] | None:
    """Return how to shift outlines so that they stand in rows, not turned.

    Parameters
    ----------
    outlines : sequence of Polygon, mm
        In the order in which they are to stand, from the front left corner.
    plate : (width, depth), mm
    gap : float
        Least distance, mm. What room is left goes evenly between the models and to the edge.

    Returns
    -------
    (n, 2) float64, or None when the bounding boxes do not fit in as few rows as there are models.
    """
    bounds = np.array([outline.bounds for outline in outlines]).reshape(-1, 4)
    sizes = bounds[:, 2:] - bounds[:, :2]
    for rows in range(1, min(len(outlines), MOST_ROWS) + 1):
        parts = np.array_split(np.arange(len(outlines)), rows)
        fronts = _spread([float(sizes[part, 1].max()) for part in parts], plate[1], gap)
        lefts = [_spread(sizes[part, 0].tolist(), plate[0], gap) for part in parts]
        if fronts is None or any(left is None for left in lefts):
            continue
        corners = [
            (x, y) for left, y in zip(lefts, fronts, strict=True) if left is not None for x in left
        ]
        return np.array(corners) - bounds[:, :2]
    return None


def _spread(lengths: Sequence[float], room: float, gap: float) -> list[float] | None:
    """Return where pieces begin that share a length evenly; None when they are too long."""
    left = room - sum(lengths)
    between = max(gap, left / (len(lengths) + 1))
    edge = (left - between * (len(lengths) - 1)) / 2.0
    if edge < 0.0:
        return None
    return [edge + sum(lengths[:k]) + between * k for k in range(len(lengths))]

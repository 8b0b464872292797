"""Colours of the pictures: distinct in lightness, so they read without colour too."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

PLAIN = (232, 221, 200)
BACKGROUND = (246, 244, 239)
INK = (38, 34, 28)
QUIET = (104, 97, 86)
SEVERITY = {"stop": (179, 38, 30), "check": (176, 98, 0), "note": (70, 84, 96)}
LINES = {"margin": (11, 107, 58), "short": (179, 38, 30), "holes": (179, 38, 30)}
# Depth in mm up to each of the surveying gauges; darker is deeper.
BANDS = (
    (0.02, (217, 207, 189)),
    (0.25, (168, 198, 216)),
    (0.50, (91, 143, 192)),
    (0.75, (58, 79, 158)),
    (np.inf, (42, 23, 80)),
)


def depth_colours(depth_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the colour (n, 3) of each undercut depth."""
    limits = np.array([limit for limit, _ in BANDS])
    table = np.array([colour for _, colour in BANDS], dtype=np.float64)
    return np.asarray(table[np.searchsorted(limits, depth_mm)])


def plain_colours(count: int) -> NDArray[np.float64]:
    """Return the plain surface colour for each vertex."""
    return np.tile(np.array(PLAIN, dtype=np.float64), (count, 1))

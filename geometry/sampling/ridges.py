"""Ridges: what stands out and runs on far along the surface, as no drop does.

The rolled free margin of the gum, a swollen collar, the corner along a crown's flank: somewhere
along it such a ridge stands out as much as a drop does. But around a drop the ground is low on
every side, while a ridge goes on. Limits were chosen on generated mouths with drops planted on
them: common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

# What is joined to a place by surface that stands out at least this share of what it does itself
# belongs to it. Drops planted on walls reached up to 3.5 mm that way, margins and flanks told for
# drops 4.8 mm and more.
_SHARE, _RUNS_ON_MM = 0.4, 4.0


@njit(cache=True, nogil=True)
def _reaches(points, plain, start, neighbour, tops, share, enough, far):  # type: ignore[no-untyped-def]
    """Fill ``far`` for those of ``tops`` from which what stands out reaches ``enough``, mm."""
    seen = np.full(points.shape[0], -1, dtype=np.int32)
    queue = np.empty(points.shape[0], dtype=np.int32)
    for k in range(tops.size):
        top = tops[k]
        queue[0] = top
        seen[top] = k
        head, tail = 0, 1
        while head < tail and not far[k]:
            at = queue[head]
            head += 1
            for e in range(start[at], start[at + 1]):
                other = neighbour[e]
                if seen[other] == k or plain[other] < share * plain[top]:
                    continue
                seen[other] = k
                queue[tail] = other
                tail += 1
                square = 0.0
                for axis in range(3):
                    square += (points[other, axis] - points[top, axis]) ** 2
                if square > enough * enough:
                    far[k] = True


def runs_on(
    points: Array,
    plain: Array,
    start: NDArray[np.int32],
    neighbour: NDArray[np.int32],
    tops: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Which places lie on a ridge that runs on, (k,) bool.

    Parameters
    ----------
    points : (n, 3) float64
        Evenly spaced vertices, mm.
    plain : (n,) float64
        What each stands out by over the surface around it, mm.
    start, neighbour : compressed rows of each vertex's neighbours
    tops : (k,) int64
        The vertices asked about; each stands out.
    """
    far = np.zeros(len(tops), dtype=np.bool_)
    _reaches(points, plain, start, neighbour, tops, _SHARE, _RUNS_ON_MM, far)
    return far

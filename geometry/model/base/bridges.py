"""Stretches of a scan's border under which walls do not follow the border."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

FIRST = 1.5
"""Half the length of a new bridge along the border, mm."""
WIDER = 1.5
SAME = 1.0
"""Places nearer to each other or to a bridge's ends, mm, are one."""
FAR = 3.0
"""Farther than this beyond its width, mm, a bridge has nothing to do with a border."""


class Bridges:
    """Stretches of border around places where walls that follow it crossed something.

    The wall under such a stretch stands on a straight line between its ends: where a border
    folds in plan, or runs to and fro, the line passes the fold by, and nothing of the surface
    above has to be given up for it.

    Parameters
    ----------
    widest : float
        Half the length, mm, past which a bridge is not made longer.
    lean : float
        Share of that half by which a bridge reaches farther ahead along the border than
        back; below 0 the other way round.
    """

    def __init__(self, widest: float, lean: float = 0.0) -> None:
        self.widest = widest
        self.lean = lean
        self._at = np.empty((0, 3))
        self._width = np.empty(0)

    @property
    def state(self) -> tuple[bytes, bytes, float]:
        """What :meth:`over` depends on."""
        return self._at.tobytes(), self._width.tobytes(), self.lean if len(self._at) else 0.0

    def widen(self, places: Array) -> Array:
        """Build bridges at places (k, 3), or make longer what is there by one step.

        Returns
        -------
        (q, 3) float64
            Places at bridges that are as long as may be.
        """
        grown = np.zeros(len(self._at), dtype=bool)
        vain = []
        left = places
        while len(left):
            place = left[0]
            left = left[np.linalg.norm(left - place, axis=1) >= SAME]
            away = np.linalg.norm(self._at - place, axis=1) - self._width
            nearest = int(np.argmin(away)) if len(away) else -1
            if nearest < 0 or away[nearest] >= SAME:
                self._at = np.vstack((self._at, place))
                self._width = np.append(self._width, FIRST)
                grown = np.append(grown, True)
            elif not grown[nearest]:
                if self._width[nearest] < self.widest:
                    self._width[nearest] *= WIDER
                    grown[nearest] = True
                else:
                    vain.append(place)
        return np.array(vain).reshape(-1, 3)

    def over(self, line: Array) -> NDArray[np.bool_]:
        """Tell which points of a closed border line (n, 3) lie in a bridge."""
        out = np.zeros(len(line), dtype=bool)
        if not len(self._at):
            return out
        step = np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1)
        along = np.concatenate(([0.0], np.cumsum(step)))
        away, nearest = cKDTree(line).query(self._at)
        for width, far, k in zip(self._width, away, nearest, strict=True):
            if far <= width + FAR:
                ahead = (along[:-1] - along[k]) % along[-1]
                out |= ahead <= width * (1.0 + self.lean)
                out |= along[-1] - ahead <= width * (1.0 - self.lean)
        return out

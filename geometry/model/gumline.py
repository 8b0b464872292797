"""How near the gum line something lies that a model lacks: an appliance ends beside that line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.dentition import Dentition

Array = NDArray[np.float64]


class GumLine:
    """The gingival margins of an arch, as far as they lie on the scan.

    Parameters
    ----------
    dentition : Dentition or None
        Without one, no line is known.
    move : (4, 4) float64
        From file to model.
    """

    def __init__(self, dentition: Dentition | None, move: Array) -> None:
        teeth = dentition.teeth if dentition else ()
        lines = [tooth.side(name).margin for tooth in teeth for name in ("facial", "lingual")]
        lines = [line @ move[:3, :3].T + move[:3, 3] for line in lines if len(line) > 1]
        self._tree = cKDTree(np.concatenate(lines)) if lines else None
        self._own = np.concatenate([_own(line) for line in lines]) if lines else np.empty(0)

    def away(self, points: Array) -> Array:
        """Return how far points (n, 3), model axes, lie from the line, mm; inf without one."""
        if self._tree is None:
            return np.full(len(points), np.inf)
        return np.asarray(self._tree.query(points)[0], dtype=np.float64)

    def stretch(self, points: Array) -> float:
        """Return how much of the line, mm, points (n, 3) lie beside."""
        if self._tree is None or not len(points):
            return 0.0
        return float(self._own[np.unique(self._tree.query(points)[1])].sum())


def _own(line: Array) -> Array:
    """Share the length of a line (k, 3) out among its points."""
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    return 0.5 * (np.append(steps, 0.0) + np.append(0.0, steps))

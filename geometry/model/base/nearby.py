"""The part of a surface near its border, on which ways to close it are tried.

Walls hang down from the border: what lies far from it, or higher, they do not meet. Such parts
are left aside while a way is looked for, and what was found is then tried on the whole.
"""

from __future__ import annotations

from copy import copy

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from geometry.model.base.borders import around, step_back, taken_spots
from geometry.model.base.losses import cost, gone
from geometry.model.surface.kinds import SCAN
from geometry.model.surface.mending import Spot, joined_spots
from geometry.model.surface.patches import RINGS, rings_around
from geometry.model.surface.skin import Skin, tails, with_stand_in, without
from geometry.topology.adjacency import extent

Array = NDArray[np.float64]

CELL, REACH = 1.0, 2
"""What lies within so many cells of so many mm of the border, or under those, is near it."""
MOST = 0.7
"""Where more of the surface than this is near, nothing is left aside."""


class Nearby:
    """A surface of which the border is taken back bit by bit.

    Parameters
    ----------
    whole : Skin
    before : (k, 3) float64, optional
        Vertices that were given up earlier and count as lost too.

    Attributes
    ----------
    part : Skin
        What is left of it near the border; fans tagged ``STAND_IN`` stand for the rest.
    spots : list of Spot
        What was taken, as far as the whole was asked for.
    past : tuple of bytes
        All that was taken, in order; alike for surfaces that are alike.
    """

    def __init__(self, whole: Skin, before: Array | None = None) -> None:
        self.spots: list[Spot] = []
        self.past: tuple[bytes, ...] = ()
        self._whole = whole
        self._before = np.empty((0, 3)) if before is None else before
        self._beside = np.empty((0, 3))
        self._leave_aside()

    def twin(self) -> Nearby:
        """Return the same surface, to go another way with."""
        other = copy(self)
        other._taken = self._taken.copy()
        return other

    def _leave_aside(self) -> None:
        self._taken = np.zeros(len(self._whole.faces), dtype=bool)
        self._near = _near(self._whole, self._beside)
        part = None
        if 0.0 < self._near.mean() < MOST:
            part = with_stand_in(self._whole, self._near)
        if part is None:
            self._near[:] = True
            part = self._whole
        self._first = self.part = part

    def step_back(self, places: Array, reach: Array) -> bool:
        """Take away what lies within a reach (k,) of places (k, 3); tell whether anything does."""
        self.past += (places.tobytes(), reach.tobytes())
        taken = around(self._whole.vertices, self._whole.faces, places, reach)
        if (taken & ~self._near).any():
            rest = self.whole()
            self._taken = around(rest.vertices, rest.faces, places, reach)
            some = bool(self._taken.any())
            self.whole()
            self._leave_aside()
            return some
        self._taken |= taken
        rest, _ = step_back(self.part, places, reach)
        some = len(rest.faces) < len(self.part.faces)
        self.part = rest
        return some

    def look_at(self, places: Array) -> None:
        """Take what lies around places (k, 3) for near the border too."""
        self.past += (b"beside", places.tobytes())
        self.whole()
        self._beside = np.vstack((self._beside, places))
        self._leave_aside()

    def whole(self) -> Skin:
        """Return the whole surface without what was taken."""
        if self._taken.any():
            skin = self._whole
            rest, _, lost = without(skin, self._taken)
            corners = np.concatenate((skin.vertices[skin.faces[self._taken]], lost))
            self.spots = joined_spots([*self.spots, *taken_spots(corners.mean(axis=1))])
            self._before = np.vstack((self._before, gone(skin, rest, SCAN)))
            self._whole = self._first = self.part = rest
            self._taken = np.zeros(len(rest.faces), dtype=bool)
            self._near = np.ones(len(rest.faces), dtype=bool)
        return self._whole

    def rim(self) -> Array:
        """Return the points (k, 3) of the border."""
        return self.part.vertices[tails(self.part, np.flatnonzero(self.part.opposite < 0))]

    def cost(self) -> float:
        """Return what was given up; see :func:`geometry.model.base.losses.cost`."""
        lost = gone(self._first, self.part, SCAN)
        return cost(self.part, np.vstack((self._before, lost)))


def _near(skin: Skin, beside: Array) -> NDArray[np.bool_]:
    """Mark the faces near the border or near some places (k, 3)."""
    rim = tails(skin, np.flatnonzero(skin.opposite < 0))
    low, high = extent(skin.vertices)
    last = ((high - low) / CELL).astype(int)
    marks = np.zeros(last + 1, dtype=bool)
    cell = ((np.vstack((skin.vertices[rim], beside)) - low) / CELL).astype(int)
    marks[tuple(np.clip(cell, 0, last).T)] = True
    marks = ndimage.binary_dilation(marks, np.ones((3, 3, 3)), REACH)
    # Walls hang down.
    marks = np.logical_or.accumulate(marks[:, :, ::-1], axis=2)[:, :, ::-1]
    on = marks[tuple(((skin.vertices - low) / CELL).astype(int).T)]
    seed = np.zeros(len(skin.vertices), dtype=bool)
    seed[rim] = True
    around_rim = rings_around(skin.faces, seed, RINGS)
    return np.asarray(on[skin.faces].any(axis=1) | around_rim)

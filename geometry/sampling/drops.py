"""How likely a place that stands out is a drop or film of moisture.

No single sign tells a blister from anatomy: what the place stands out by beyond its like,
the foot all around, the mean height of the ground at each distance and how uneven it is all
speak a little. Their weights were fitted (logistic regression) to generated mouths of three
kinds, wet and clean, so that one clean scan in fifty has a false blister.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MIDDLE_MM, _PAPILLA_MM, _PAPILLA_BELOW_MM = 2.5, 3.5, -4.0
_ZONES_BELOW_MM = (3.0, 7.0, 11.0)
_STEEP = 0.2
_DEEP_MM, _HIGH_MM = -4.0, 2.0
# Where there is no ground to be seen.
_NO_MEAN_MM, _NO_SPREAD_MM = -2.0, 1.5
# Log odds for a unit of each sign, in the order of ``_signs``: what the place itself says
# (excess, plain, rise in two parts, middle, depth), turns of the foot, facing up and down, border,
# middle of the mouth, likes; zone below the biting surfaces; and how they go together.
_OWN = (
    *(5.69, 17.59, -0.2, 0.05, 0.25, -3.17),
    *(0.63, 2.51, 4.33, 3.58, 1.25, -0.14),
    *(-0.52, -3.77, -0.03, -1.69, -0.61, -21.96),
    *(-0.92, -1.02, -0.25),
    *(-5.17, -5.06, -3.35, -1.17, -2.99, 13.66),
)
# And in that of ``_ground``, from the innermost ring outward.
_MEAN = (1.07, 1.25, 0.48, -0.57, -0.36, -0.07, 0.05, 0.06, 0.03, 0.04)
_SPREAD = (-0.66, -0.98, -1.13, 0.03, -0.03, -0.24, -0.23, -0.39, -0.25, -0.03)
_ACROSS = (-0.81, -1.03, -0.64, -0.46, -0.3, -0.03, -0.01, 0.15, 0.2)
_UNSEEN = 4.56
_EVEN_ODDS = -6.7
# Where there is no ground in some direction, as on a thin rim or a sharp ridge, so much less.
_RIM_RISE_MM, _RIM_ODDS = -2.0, -1.5
_WEIGHTS = np.array([*_OWN, *_MEAN, *_SPREAD, *_ACROSS, _UNSEEN])


class Tops(NamedTuple):
    """The k highest places looked at.

    Attributes
    ----------
    local : (k, 3) float64
        To the right, to the front and up from the occlusal plane's middle, mm.
    from_border : (k,) float64, mm
    facing : (k, 3) float64
        Unit normals in the axes of ``local``.
    likes, plain, excess : (k,) float64
        What anatomy stands out by elsewhere, what the place does, and by how much more, mm.
    rise, middle : (k,) float64
        From :func:`geometry.sampling.rises.rises`.
    turn, depth : (k, sectors) and (k,) float64
        From :func:`geometry.sampling.rises.feet`.
    """

    local: Array
    from_border: Array
    facing: Array
    likes: Array
    plain: Array
    excess: Array
    rise: Array
    middle: Array
    turn: Array
    depth: Array


def _signs(tops: Tops) -> list[Array]:
    """Signs of the place itself."""
    local, from_border, facing, likes, plain, excess, rise, middle, turn, depth = tops
    turn, up = np.clip(turn, -0.5, 1.1), facing[:, 2]
    facing_up = np.clip(up - _STEEP, 0.0, None)
    plain, depth = np.clip(plain, 0.0, 0.8), np.clip(depth, 0.0, 1.2)
    aside, below = np.abs(local[:, 0]), -local[:, 2]
    return [
        np.clip(excess, -0.6, 0.4),
        plain,
        np.clip(rise, -0.5, 0.8),
        np.clip(rise, -3.0, -0.5),
        np.clip(middle, -0.5, 1.5),
        depth,
        *(turn[:, k] for k in (0, 1, 2, 3, 4, 6)),
        facing_up,
        np.clip(-up - _STEEP, 0.0, None),
        np.clip(from_border, 1.0, 4.0),
        aside < _MIDDLE_MM,
        (aside < _PAPILLA_MM) & (local[:, 2] < _PAPILLA_BELOW_MM),
        np.clip(likes, -0.2, 0.5),
        *(np.searchsorted(_ZONES_BELOW_MM, below) == zone for zone in (1, 2, 3)),
        facing_up * turn[:, 2],
        facing_up * turn[:, 0],
        facing_up * plain,
        turn[:, 2] * depth,
        np.clip(turn[:, 2] - 0.35, 0.0, None),
        np.clip(turn[:, 0] - 0.25, 0.0, None),
    ]


def _ground(heights: Array) -> list[Array]:
    """Signs of the ground around: mean, spread, and height along the highest ridge, by ring."""
    known = ~np.isnan(heights)
    level = np.where(known, np.clip(heights, _DEEP_MM, _HIGH_MM), 0.0)
    count = known.sum(axis=1)
    some = np.maximum(count, 1)
    mean = level.sum(axis=1) / some
    spread = np.sqrt(np.clip((level**2).sum(axis=1) / some - mean**2, 0.0, None))
    half = heights.shape[1] // 2
    across = 0.5 * (level + np.roll(level, half, axis=1))
    across = np.where(known & np.roll(known, half, axis=1), across, -np.inf).max(axis=1)
    mean[count == 0], spread[count == 0] = _NO_MEAN_MM, _NO_SPREAD_MM
    across[np.isinf(across)] = _NO_MEAN_MM
    unseen = 1.0 - known.mean(axis=(1, 2))
    return [*mean.T[1:], *spread.T[1:], *across.T[2:], unseen]


def drop_odds(tops: Tops, heights: Array) -> Array:
    """Log odds that each top is a drop or a film, (k,); above 0 it is told.

    Parameters
    ----------
    tops : Tops
    heights : (k, sectors, rings) float64
        From :func:`geometry.sampling.rises.profiles`.
    """
    signs = np.column_stack([*_signs(tops), *_ground(heights)]).astype(np.float64)
    rim = np.where(tops.rise < _RIM_RISE_MM, _RIM_ODDS, 0.0)
    return np.asarray(signs @ _WEIGHTS + _EVEN_ODDS + rim)

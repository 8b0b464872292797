"""What is bonded to teeth: attachments, brackets, tubes, bands.

On the steep part of a crown nothing natural stands on a foot: bulges and ridges fall away
round. A bonded part ends in a kink nearly all around, more than half a millimetre deep. So may
a single drop of moisture; several such places in one mouth are bonded. The limits were chosen on
generated mouths with and without bonded parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geometry.sampling.drops import Tops

__all__ = ["APART_MM", "FEWEST", "bonded"]

FEWEST = 2
APART_MM = 3.5
# Crowns, from below the biting surfaces down.
_HIGHEST_MM, _LOWEST_MM = -0.8, -8.0


class _Sign(NamedTuple):
    """What a place must be at least; turns of the foot in radians."""

    up: float  # largest cosine of its facing with the way up: corners of crowns face up more
    down: float  # and down
    out_mm: float
    foot_mm: float
    turn: float  # in the second least of the directions
    mostly: float  # in the fifth least


_SURE = _Sign(0.25, 0.5, 0.33, 0.6, 0.0, 0.35)
# Where parts are bonded, the less clear ones on that side are believed too.
_LIKELY = _Sign(0.6, 0.6, 0.3, 0.4, -0.05, 0.3)


def bonded(tops: Tops, points: NDArray[np.float64]) -> list[int]:
    """Return which of the tops stand on something bonded, the highest of each place.

    Parameters
    ----------
    tops : Tops
    points : (k, 3) float64
        Where they are, mm.

    Returns
    -------
    list of int
        Empty where fewer than ``FEWEST`` clear places, ``APART_MM`` from each other, are found.
    """
    sure = _apart(points, tops.plain, _like(tops, _SURE))
    if len(sure) < FEWEST:
        return []
    outward = (tops.facing[:, :2] * tops.local[:, :2]).sum(axis=1) > 0.0
    likely = _like(tops, _LIKELY) & np.isin(outward, outward[sure])
    return _apart(points, tops.plain, likely, sure)


def _like(tops: Tops, sign: _Sign) -> NDArray[np.bool_]:
    height, up = tops.local[:, 2], tops.facing[:, 2]
    found = (height > _LOWEST_MM) & (height < _HIGHEST_MM)
    found &= (up < sign.up) & (up > -sign.down)
    found &= (tops.plain >= sign.out_mm) & (tops.depth >= sign.foot_mm)
    found &= (tops.turn[:, 1] >= sign.turn) & (tops.turn[:, 4] >= sign.mostly)
    return np.asarray(found)


def _apart(
    points: NDArray[np.float64],
    plain: NDArray[np.float64],
    found: NDArray[np.bool_],
    known: Sequence[int] = (),
) -> list[int]:
    order = np.flatnonzero(found)
    places = list(known)
    for k in order[np.argsort(-plain[order], kind="stable")].tolist():
        if all(np.linalg.norm(points[k] - points[other]) > APART_MM for other in places):
            places.append(k)
    return places

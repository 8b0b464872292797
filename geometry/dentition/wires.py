"""A retainer wire bonded behind the front teeth.

Between two crowns the wire bridges the valley that their inner walls leave: going down, the
surface comes out towards the tongue and goes back within two millimetres. Over the crowns
themselves it stands out by hardly anything, which tells it from a papilla or a fold of the gum
along the whole row. A wire does so at about one height between several teeth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.sheets import STEP_S_MM, STEP_Z_MM

Array = NDArray[np.float64]

BESIDE_MM = 0.8
"""The surface so far above and below is compared: retainer wires are 0.4 to 0.8 mm thick (common
practice, no source), and a scanner rounds them."""
HALF_COLUMNS = 2
BRIDGE_MM, OVER_CROWN_MM = 0.45, 0.4
"""How far a wire stands out between two crowns at least, and over their middles at most."""
FEWEST, STEP_MM = 3, 1.5
"""Neighbouring bridges needed, and by how much their heights may differ from one to the next."""
BELOW_TIP_MM = (0.8, 9.0)
CROWN_REACH_MM = 1.2


@dataclass(frozen=True, slots=True)
class Bridge:
    """Where a wire bridges two neighbouring crowns.

    Attributes
    ----------
    first : int
        Index of the first of the two teeth.
    column, row : int
        Pixel of the sheet.
    """

    first: int
    column: int
    row: int


def bonded_wire(
    lingual: Array,
    z: Array,
    start: Array,
    stop: Array,
    tip: Array,
    numbers: NDArray[np.int64],
) -> list[Bridge]:
    """Find the longest run of bridges between neighbouring front teeth.

    Parameters
    ----------
    lingual : (n, m) float64
        Inner sheet; NaN where there is none.
    z : (m,) float64
        Falling heights of its rows, mm.
    start, stop, tip : (k,) float64
        Ends of the teeth along the arch, and the heights of their tips, mm.
    numbers : (k,) int64
        ISO 3950.

    Returns
    -------
    list of Bridge
        Empty where there is no wire.
    """
    front = numbers % 10 <= 3
    reach = round(CROWN_REACH_MM / STEP_Z_MM)
    longest: list[Bridge] = []
    run: list[Bridge] = []
    for k in range(len(numbers) - 1):
        found = None
        if front[k] and front[k + 1]:
            column = round(0.5 * (stop[k] + start[k + 1]) / STEP_S_MM)
            below = 0.5 * (tip[k] + tip[k + 1]) - z
            allowed = (below > BELOW_TIP_MM[0]) & (below < BELOW_TIP_MM[1])
            out = np.where(allowed, _stands_out(lingual, column), -np.inf)
            row = int(out.argmax())
            near = slice(max(row - reach, 0), row + reach + 1)
            middles = [round(0.5 * (start[q] + stop[q]) / STEP_S_MM) for q in (k, k + 1)]
            over = max(float(_stands_out(lingual, middle)[near].max()) for middle in middles)
            if out[row] >= BRIDGE_MM and over <= OVER_CROWN_MM:
                found = Bridge(k, column, row)
        if found is None:
            run = []
        elif run and abs(z[run[-1].row] - z[found.row]) <= STEP_MM:
            run = [*run, found]
        else:
            run = [found]
        longest = max(longest, run, key=len)
    return longest if len(longest) >= FEWEST else []


def _stands_out(lingual: Array, column: int) -> Array:
    """By how much each row stands out over both above and below, around a column, (m,) mm."""
    inward = -lingual[max(column - HALF_COLUMNS, 0) : column + HALF_COLUMNS + 1]
    shift = round(BESIDE_MM / STEP_Z_MM)
    above, below = np.full(inward.shape, np.nan), np.full(inward.shape, np.nan)
    above[:, shift:], below[:, :-shift] = inward[:, :-shift], inward[:, shift:]
    # Under the wire an open space may be seen through.
    out = inward - np.fmax(above, below)
    out[np.isnan(out) | np.isnan(above)] = -np.inf
    return np.median(out, axis=0) if len(out) else np.full(lingual.shape[1], -np.inf)

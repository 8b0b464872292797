"""A retainer wire bonded behind the front teeth.

Between two crowns a bare wire bridges the valley that their inner walls leave: going down, the
surface comes out towards the tongue and goes back within two millimetres. Over the crowns
themselves it stands out by hardly anything, which tells it from a papilla or a fold of the gum
along the whole row. A wire does so at about one height between several teeth.

Where it is bonded, a pad of composite covers it: going down the crown's middle, a sharp crease, a
round back and another sharp crease follow each other within three millimetres, tooth after
tooth. A cingulum has none so sharp.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

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
PAD_RAD = 0.4
"""How sharp both creases of a pad, and how convex its back, are at least, in the mean over the
middle of the crown."""
PAD_CORE = 0.15
"""Part of a crown looked at, as a share of its width to either side of its middle."""
PAD_MM = (1.6, 4.0)
"""From a pad's upper crease to its lower one."""
PAD_AROUND_MM = (0.3, 0.4)
"""Creases are as wide as this above and below their deepest place."""


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


@dataclass(frozen=True, slots=True)
class Pad:
    """Composite that a wire is bonded with.

    Attributes
    ----------
    tooth : int
        Index of the tooth.
    top, low : int
        Rows of its upper and its lower crease.
    """

    tooth: int
    top: int
    low: int


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


def bonded_pads(
    crease: Array,
    z: Array,
    start: Array,
    stop: Array,
    tip: Array,
    numbers: NDArray[np.int64],
) -> list[Pad]:
    """Find the pads of composite behind front teeth.

    Parameters
    ----------
    crease : (n, m) float64
        Concavity of the inner sheet, radians, from
        :func:`geometry.dentition.gum.margin.crease_angle`.
    z, start, stop, tip, numbers
        As :func:`bonded_wire` takes them.

    Returns
    -------
    list of Pad
        From the first tooth to the last; empty unless there are several.
    """
    at = np.arange(len(crease)) * STEP_S_MM
    pads = []
    for k in np.flatnonzero(numbers % 10 <= 3):
        off = np.abs(at - 0.5 * (start[k] + stop[k]))
        core = np.nan_to_num(crease[off <= PAD_CORE * (stop[k] - start[k])])
        if not len(core):
            continue
        below = tip[k] - z
        turn = core.mean(axis=0)
        turn[(below < BELOW_TIP_MM[0]) | (below > BELOW_TIP_MM[1])] = 0.0
        peaks = 1 + np.flatnonzero(
            (turn[1:-1] > PAD_RAD) & (turn[1:-1] >= turn[:-2]) & (turn[1:-1] >= turn[2:])
        )
        found = [
            (min(turn[top], turn[low], -turn[top:low].min()), int(top), int(low))
            for top in peaks
            for low in peaks
            if PAD_MM[0] <= z[top] - z[low] <= PAD_MM[1]
        ]
        sharpness, top, low = max(found, default=(0.0, 0, 0))
        if sharpness > PAD_RAD:
            pads.append(Pad(int(k), top, low))
    return pads if len(pads) >= FEWEST else []


def covered(
    pads: list[Pad], shape: tuple[int, int], start: Array, stop: Array
) -> NDArray[np.bool_]:
    """Mark what a wire and its pads cover, (n, m), from the first pad to the last."""
    if not pads:
        return np.zeros(shape, dtype=np.bool_)
    teeth = [pad.tooth for pad in pads]
    at = np.arange(shape[0]) * STEP_S_MM
    middles = 0.5 * (start[teeth] + stop[teeth])
    above, under = (length / STEP_Z_MM for length in PAD_AROUND_MM)
    top = np.interp(at, middles, [pad.top - above for pad in pads])[:, None]
    low = np.interp(at, middles, [pad.low + under for pad in pads])[:, None]
    along = (at >= start[teeth[0]]) & (at <= stop[teeth[-1]])
    rows = np.arange(shape[1])[None]
    return np.asarray(along[:, None] & (rows >= top) & (rows <= low))

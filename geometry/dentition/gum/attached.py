"""What is bonded to crowns, as the margin has to be read past it: attachments, brackets, tubes.

Towards the gum such a part ends in a ledge: going down, the surface steps in within a
millimetre, and above and below the step it hardly leans. Its edges are sharper creases than the
gum line is, and where it ends a crown seems to lose its roundness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]

STEPS = ((3, 0.35), (4, 0.4), (5, 0.45))
"""Within so many rows a ledge steps in by so much more, mm, than the surface leans just above and
below, in the median along it; a bevelled ledge takes more rows than a square one."""
LEAST_MM, MOST_MM, ANYWHERE = 0.3, 4.0, 0.6
"""A ledge steps in by this at least, and by no more than brackets stand out; single places of it
may be less sharp by this share."""
BESIDE_ROWS = 3
GUM_ROWS, GUM_OUT_MM = 4, 0.3
"""Where the surface comes out again within so many rows by more, gum begins."""
NARROWEST_MM, TO_SIDES_MM = 1.5, 0.5
BELOW_TIP_MM, LONGEST = 1.0, 0.95
"""Ledges lie from so far below the tip to this share of the crown's average length."""
NARROW, WHOLE = 0.48, 0.62
"""Shares of a crown's width that a part takes up mostly, and never more. What steps in along a
whole crown is its neck: primary crowns bulge so far over theirs."""
PROUD_MM, PROUD = 1.0, 0.8
"""What steps in by more is a bracket, and takes up this share of a lower incisor."""
FEWEST = 2
"""On so many teeth of a side, and more than bulge, so that a chip or a fold of the gum is none."""
OTHERS_MM, OTHERS_SHARP, OTHERS_LONGEST = 1.0, 0.9, 0.85
"""Then ledges so narrow, by this share less sharp, and to this share of the length, tell it on the
other teeth."""
HOLLOW_ROWS = 2
"""Under a ledge so much may be hidden."""
PART_MM, UNDER_MM, BESIDE_MM = 4.5, 0.2, 0.75
"""How far above, below and beside a ledge its part may reach."""


def bonded_places(
    sheet: Array, z: Array, start: Array, stop: Array, tip: Array, usual: Array
) -> Marks:
    """Mark what is no crown and no gum on one side, (n, m).

    Parameters
    ----------
    sheet : (n, m) float64
        How far out the surface lies, rising outwards, mm; NaN unknown.
    z : (m,) float64
        Falling heights of its rows, mm.
    start, stop, tip, usual : (k,) float64
        Ends of the teeth along the arch, height of their tips and average length of their
        crowns, mm.
    """
    upper, lower = tip - BELOW_TIP_MM, tip - LONGEST * usual
    band = np.flatnonzero((z < upper.max(initial=-np.inf)) & (z > lower.min(initial=np.inf)))
    if not len(band):
        return np.zeros(sheet.shape, dtype=np.bool_)
    clear = STEPS[-1][0] + BESIDE_ROWS
    first_row = max(int(band[0]) - clear, 0)
    rows = slice(first_row, int(band[-1]) + clear + 1)
    wall, heights = sheet[:, rows], z[rows]
    sure = _ledges(wall, heights, start, stop, upper, lower, NARROWEST_MM, 1.0)
    narrow = {ledge.tooth for ledge in sure if ledge.share <= NARROW}
    necks = {ledge.tooth for ledge in sure if ledge.share > WHOLE}
    marks = np.zeros(sheet.shape, dtype=np.bool_)
    if len(narrow) < max(FEWEST, len(necks) + 1):
        return marks
    lower = tip - OTHERS_LONGEST * usual
    less = _ledges(_closed(wall), heights, start, stop, upper, lower, OTHERS_MM, OTHERS_SHARP)
    beside = round(BESIDE_MM / STEP_S_MM)
    part, under = round(PART_MM / STEP_Z_MM), round(UNDER_MM / STEP_Z_MM)
    for ledge in (*sure, *less):
        if ledge.share <= WHOLE:
            columns = slice(max(ledge.first - beside, 0), ledge.last + beside + 1)
            top, low = first_row + ledge.top - part, first_row + ledge.low + under
            marks[columns, max(top, 0) : low + 1] = True
    return marks


@dataclass(frozen=True, slots=True)
class _Ledge:
    """First and last column, upper and lowest row, and the share of the tooth that it takes up."""

    tooth: int
    first: int
    last: int
    top: int
    low: int
    share: float


def _ledges(
    wall: Array,
    z: Array,
    start: Array,
    stop: Array,
    upper: Array,
    lower: Array,
    narrowest: float,
    least_sharp: float,
) -> list[_Ledge]:
    """Ledges of each tooth between two heights, those of whole crowns too."""
    share, sharp = _sharpness(wall)
    coming = np.fmax.reduce([_moved(wall, -rows) for rows in range(1, GUM_ROWS + 1)])
    with np.errstate(invalid="ignore"):
        stepped = (share > ANYWHERE) & ~(coming - wall >= GUM_OUT_MM)
    at = np.arange(len(wall)) * STEP_S_MM
    out = []
    for k in range(len(start)):
        own = np.flatnonzero((at > start[k] + TO_SIDES_MM) & (at < stop[k] - TO_SIDES_MM))
        rows = np.flatnonzero((z < upper[k]) & (z > lower[k]))
        if not len(own) or not len(rows):
            continue
        here = np.ix_(own, rows)
        pieces, count = label(stepped[here], np.ones((3, 3)))
        for piece in range(1, count + 1):
            mine = pieces == piece
            run = np.flatnonzero(mine.any(axis=1))
            values = np.where(mine[run], share[here][run], 0.0)
            corner = values.argmax(axis=1)
            step = float(np.median(sharp[here][run, corner]))
            wide = len(run) * STEP_S_MM
            if wide < narrowest or np.median(values.max(axis=1)) < least_sharp or step > MOST_MM:
                continue
            part = wide / (stop[k] - start[k])
            if step > PROUD_MM and part <= PROUD:
                part = min(part, NARROW)
            first, last = int(own[run[0]]), int(own[run[-1]])
            top, low = int(rows[corner.min()]), int(rows[corner.max()])
            out.append(_Ledge(k, first, last, top, low, part))
    return out


def teeth_with(marks: Marks, start: Array, stop: Array) -> Marks:
    """Say of each tooth (k,) whether something is marked on it; ends as ``bonded_places``."""
    columns = np.flatnonzero(marks.any(axis=1)) * STEP_S_MM
    on = (columns > start[:, None] + TO_SIDES_MM) & (columns < stop[:, None] - TO_SIDES_MM)
    return np.asarray(on.any(axis=1))


def _sharpness(sheet: Array) -> tuple[Array, Array]:
    """By how much the surface steps in at each place, over what a ledge has and in mm."""
    share, sharp = np.full(sheet.shape, -np.inf), np.full(sheet.shape, -np.inf)
    under = np.maximum(np.nan_to_num(sheet - _moved(sheet, -BESIDE_ROWS)), 0.0)
    for rows, least in STEPS:
        lip = _moved(sheet, rows)
        over = np.maximum(np.nan_to_num(_moved(sheet, rows + BESIDE_ROWS) - lip), 0.0)
        step = np.nan_to_num(lip - sheet)
        own = np.where(step > LEAST_MM, step - (over + under) * (rows / BESIDE_ROWS), -np.inf)
        better = own / least > share
        share[better], sharp[better] = own[better] / least, own[better]
    return share, sharp


def _closed(sheet: Array) -> Array:
    """The sheet with narrow hollows under ledges, which nothing is seen of, laid under them."""
    out = sheet.copy()
    for rows in range(1, HOLLOW_ROWS + 1):
        out = np.where(np.isnan(out), _moved(sheet, -rows), out)
    return out


def _moved(sheet: Array, rows: int) -> Array:
    """The sheet moved down by so many rows, NaN where it leaves off."""
    out = np.full_like(sheet, np.nan)
    if rows > 0:
        out[:, rows:] = sheet[:, :-rows]
    else:
        out[:, :rows] = sheet[:, -rows:]
    return out

"""Whether a crown ends where that of a primary tooth does, or that of the tooth that comes for it.

Primary canines and molars are but a tenth to a quarter broader or narrower than what comes for
them, but little more than half as long: 5.1 to 6.5 mm against 8 to 11 (Nelson, *Wheeler's Dental
Anatomy, Physiology and Occlusion*, tables of both, from memory). So a margin is looked for at
both lengths, and how much likelier the better of the two is tells one from the other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.gum.margin import expect, trace_margin
from geometry.dentition.gum.roundness import ends_of_crowns
from geometry.dentition.gum.tissue import (
    PLAIN_WALL,
    ROUND_WEIGHT,
    SECOND_SPREAD_MM,
    TRUST_MOUTH,
    USUAL_RATIO,
    Margins,
    Seen,
    shown_length,
    usual_ratio,
)
from geometry.dentition.row.crowns import (
    TO_PRIMARY,
    height_shares,
    permanent,
    row_numbers,
    row_sizes,
)
from geometry.dentition.row.rows import SURE_LEAD, Row
from geometry.dentition.row.sheets import STEP_S_MM

Array = NDArray[np.float64]

CANINE = 3
BESIDE_MM = 1.0
TOO_NARROW = -3.0
"""Log odds by width below which no length makes a primary tooth of it: of a hundred and thirty
primary ones none had less than -2.7. Chosen here."""


def odds_of_primary(margins: Margins, z: Array, row: Row, tip: Array, arch: str) -> Array:
    """How much likelier the margins of canines and premolars are at primary crowns' length.

    Parameters
    ----------
    margins : Margins
        As read for the row.
    z : (m,) float64
        Heights of the rows of the sheets, mm.
    row : Row
    tip : (k,) float64
        Height of each tooth's highest edge or cusp, mm.
    arch : "upper" | "lower"

    Returns
    -------
    (k,) float64
        Log odds; NaN where ``row.primary`` is.
    """
    average = dict(zip(row_numbers(arch).tolist(), row_sizes(arch)[:, 0].tolist(), strict=True))
    asked = ~np.isnan(row.primary)
    out = np.where(asked, 0.0, np.nan)
    ratio = _shown(margins, tip, row.numbers, asked, average)
    for k in np.flatnonzero(row.primary > TOO_NARROW).tolist():
        plain = permanent(int(row.numbers[k]))
        front = plain % 10 <= CANINE
        # A cingulum ends as clearly as a crown; and what the lips' side denies is not asked twice.
        for side in ("facial",) if front else ("facial", "lingual"):
            if side == "lingual" and row.primary[k] + out[k] < -SURE_LEAD:
                continue
            costs = [
                _cost(margins.seen[side], z, row.start[k], row.stop[k], tip[k], k, side,
                      number, ratio * average[number])
                for number in (plain, plain + TO_PRIMARY)
            ]
            out[k] += costs[0] - costs[1]
    return out


def _cost(seen: Seen, z: Array, start: float, stop: float, tip: float, k: int, side: str,
          number: int, length: float) -> float:
    """Cost of the likeliest margin of tooth ``k`` alone where its crown is so long, mm."""
    first = max(int((start - BESIDE_MM) / STEP_S_MM), 0)
    here = slice(first, int((stop + BESIDE_MM) / STEP_S_MM))
    a, b, high = (np.array([of]) for of in (start, stop, tip))
    a, b = a - first * STEP_S_MM, b - first * STEP_S_MM
    front = np.array([number % 10 <= CANINE])
    whole = length * height_shares(np.array([number]), side)
    shown = shown_length(whole, high, front)
    hope = expect(len(seen.border[here]), a, b, high, shown, np.full(1, SECOND_SPREAD_MM),
                  front, np.where(front, *PLAIN_WALL[side]))
    signs = ends_of_crowns([seen.rounds[k]], z, a, b, high, shown,
                           np.where(front, *ROUND_WEIGHT[side]), hope.middle)
    path = trace_margin(seen.crease[here], seen.step[here], signs, z, seen.border[here], hope)
    return float(path.cost.min())


def _shown(margins: Margins, tip: Array, numbers: NDArray[np.int64], asked: NDArray[np.bool_],
           average: dict[int, float]) -> float:
    """How much of its crowns a mouth shows, from the teeth that are not asked about."""
    shares = []
    usual = np.array([average[n] for n in numbers.tolist()])
    for side, readings in margins.readings.items():
        whole = usual * height_shares(numbers, side)
        known = np.array([of.margin_seen for of in readings]) & ~asked
        if side == "lingual":
            known &= numbers % 10 > CANINE
        height = tip - np.array([of.margin_z for of in readings])
        shares.append((height / whole)[known])
    return usual_ratio(np.concatenate(shares), USUAL_RATIO, TRUST_MOUTH)

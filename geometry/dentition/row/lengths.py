"""How long the crowns of one part of a mouth are, told by all of them together.

A crease that misleads at one tooth misleads at its neighbours at other heights, but crowns of
one mouth are long or short together. So each length is tried on all of them: how likely their
best margins are when so long crowns are expected tells it, where the signs at single teeth do
not.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.gum.margin import expect, trace_margin
from geometry.dentition.gum.roundness import ends_of_crowns
from geometry.dentition.row.sheets import STEP_S_MM

Array = NDArray[np.float64]

RATIOS = np.arange(0.55, 1.12, 0.09)
"""Lengths tried, as shares of the average: two standard deviations to either side."""
SPREAD_MM = 0.8
"""Standard deviation of single crowns about the length of all."""
BESIDE_MM = 3.0
TEMPERATURE = 5.0
"""Teeth beside each other see the same relief, so that their odds are not to be multiplied."""
FINE = 0.01


def shared_ratio(
    crease: Array,
    step: Array,
    border: Array,
    z: Array,
    rounds: list[Array],
    start: Array,
    stop: Array,
    tip: Array,
    usual: Array,
    *,
    smooth: float,
    round_weight: float,
    before: float,
    before_sd: float,
) -> float:
    """Length of front crowns on one side over the average of their kind.

    Parameters
    ----------
    crease, step : (n, m) float64
        From :func:`geometry.dentition.gum.margin.crease_angle` and ``edge_step``.
    border : (n,) float64
        Lowest scanned height of each column, mm.
    z : (m,) float64
        Falling heights of the rows, mm.
    rounds : list of (m,) float64
        Of each tooth, from :func:`geometry.dentition.gum.roundness.roundness`.
    start, stop, tip, usual : (k,) float64
        Ends of the teeth along the arch, height of their tips and average height of their
        crowns, mm.
    smooth, round_weight : float
        As ``expect`` and ``ends_of_crowns`` take them.
    before, before_sd : float
        What is expected, and how far off that may be.
    """
    first = max(int((start.min() - BESIDE_MM) / STEP_S_MM), 0)
    last = min(int((stop.max() + BESIDE_MM) / STEP_S_MM), len(crease))
    here = slice(first, last)
    start, stop = start - first * STEP_S_MM, stop - first * STEP_S_MM
    each = np.ones(len(start))

    def cost(ratio: float) -> float:
        length = usual * ratio
        hope = expect(
            last - first, start, stop, tip, length, SPREAD_MM * each, each > 0, smooth * each
        )
        signs = ends_of_crowns(
            rounds, z, start, stop, tip, length, round_weight * each, hope.middle
        )
        return float(
            trace_margin(crease[here], step[here], signs, z, border[here], hope).cost.min()
        )

    return _likeliest(cost, before, before_sd)


def _likeliest(cost: Callable[[float], float], before: float, before_sd: float) -> float:
    """The middle of what is likely, from costs at ``RATIOS`` and what was expected."""
    ratio = np.arange(RATIOS[0], RATIOS[-1] + FINE / 2, FINE)
    costs = np.array([cost(float(one)) for one in RATIOS])
    total = np.interp(ratio, RATIOS, costs) / TEMPERATURE
    total += 0.5 * ((ratio - before) / before_sd) ** 2
    odds = np.cumsum(np.exp(total.min() - total))
    return float(ratio[np.searchsorted(odds, 0.5 * odds[-1])])

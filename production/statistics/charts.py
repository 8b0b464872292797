"""Control charts after Shewhart: limits from published constants, signals by stated rules.

Constants: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2 and ASTM MNL 7.
Rules: Western Electric (1956), numbered as by Nelson (J. Qual. Technol. 16 (1984) 237-239).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

#: Subgroup size → (A2, d2, D3, D4).
CONSTANTS: dict[int, tuple[float, float, float, float]] = {
    2: (1.880, 1.128, 0.0, 3.267),
    3: (1.023, 1.693, 0.0, 2.575),
    4: (0.729, 2.059, 0.0, 2.282),
    5: (0.577, 2.326, 0.0, 2.114),
    6: (0.483, 2.534, 0.0, 2.004),
    7: (0.419, 2.704, 0.076, 1.924),
    8: (0.373, 2.847, 0.136, 1.864),
    9: (0.337, 2.970, 0.184, 1.816),
    10: (0.308, 3.078, 0.223, 1.777),
}
FEW_POINTS = 8
#: The power that makes an exponential time nearly normal (Nelson 1994).
TIME_POWER = 3.6


@dataclass(frozen=True)
class Signal:
    """A point that ordinary variation hardly explains, and by which rule."""

    index: int
    rule: str


@dataclass(frozen=True)
class Chart:
    """A chart's points, centre and limits (one of each per point)."""

    kind: str
    values: list[float]
    centre: list[float]
    lower: list[float]
    upper: list[float]
    signals: list[Signal] = field(default_factory=list)

    @property
    def few(self) -> bool:
        """Whether there are too few points for the limits to mean much."""
        return len(self.values) < FEW_POINTS


def p_chart(counts: Sequence[int], sizes: Sequence[int]) -> Chart:
    """Chart a proportion by period; limits follow each period's size.

    Parameters
    ----------
    counts, sizes : sequences of int
        Remade and made, per period. Periods of size 0 are left out.
    """
    pairs = [(c, n) for c, n in zip(counts, sizes, strict=True) if n > 0]
    total = sum(n for _, n in pairs)
    mean = sum(c for c, _ in pairs) / total if total else 0.0
    values = [c / n for c, n in pairs]
    half = [3 * math.sqrt(mean * (1 - mean) / n) for _, n in pairs]
    lower = [max(0.0, mean - h) for h in half]
    upper = [min(1.0, mean + h) for h in half]
    return _chart("p", values, [mean] * len(values), lower, upper, runs=True)


def individuals_chart(values: Sequence[float], *, judged: int = 0) -> tuple[Chart, Chart]:
    """Chart single measurements and their moving range (span 2).

    Parameters
    ----------
    values : sequence of float
    judged : int
        So many at the end are judged by limits from those before them, once there are enough
        of these: what is far off would widen the limits that it is judged by.
    """
    data = [float(v) for v in values]
    ranges = [abs(b - a) for a, b in pairwise(data)]
    known = len(data) - judged if len(data) - judged >= FEW_POINTS else len(data)
    mean = float(np.mean(data[:known])) if data else 0.0
    mean_range = float(np.mean(ranges[: known - 1])) if ranges else 0.0
    half = 3 * mean_range / CONSTANTS[2][1]
    count = len(data)
    individuals = _chart(
        "individuals", data, [mean] * count, [mean - half] * count, [mean + half] * count, runs=True
    )
    moving = _chart(
        "moving range",
        ranges,
        [mean_range] * len(ranges),
        [0.0] * len(ranges),
        [CONSTANTS[2][3] * mean_range] * len(ranges),
    )
    return individuals, moving


def xbar_r_chart(groups: Sequence[Sequence[float]]) -> tuple[Chart, Chart]:
    """Chart means and ranges of subgroups of one size, 2 to 10.

    Raises
    ------
    ValueError
        Subgroups of different or unsupported size.
    """
    sizes = {len(g) for g in groups}
    if len(sizes) != 1 or not sizes <= set(CONSTANTS):
        raise ValueError("subgroups must all have one size from 2 to 10")
    a2, _, d3, d4 = CONSTANTS[sizes.pop()]
    means = [float(np.mean(g)) for g in groups]
    ranges = [float(max(g) - min(g)) for g in groups]
    grand, mean_range, count = float(np.mean(means)), float(np.mean(ranges)), len(means)
    return (
        _chart(
            "mean",
            means,
            [grand] * count,
            [grand - a2 * mean_range] * count,
            [grand + a2 * mean_range] * count,
            runs=True,
        ),
        _chart(
            "range",
            ranges,
            [mean_range] * count,
            [d3 * mean_range] * count,
            [d4 * mean_range] * count,
        ),
    )


def g_chart(between: Sequence[int]) -> Chart:
    """Chart the number of good ones between two rare events (geometric counts).

    Parameters
    ----------
    between : sequence of int
        Appliances made between one remake and the next.

    Notes
    -----
    Limits: mean ± 3 √(mean (mean + 1)); Kaminsky, Benneyan, Davis, Burke,
    J. Qual. Technol. 24 (1992) 63-69.
    """
    values = [float(v) for v in between]
    mean = float(np.mean(values)) if values else 0.0
    half = 3 * math.sqrt(mean * (mean + 1))
    count = len(values)
    return _chart(
        "g", values, [mean] * count, [max(0.0, mean - half)] * count, [mean + half] * count
    )


def t_chart(between: Sequence[float]) -> Chart:
    """Chart the time between two rare events, in any unit.

    Parameters
    ----------
    between : sequence of float
        Time from one event to the next, zero or more.

    Notes
    -----
    Times between events that come at random are exponential; raised to the power 1/3.6 they
    are nearly normal, and an individuals chart fits them (L. S. Nelson, J. Qual. Technol. 26
    (1994) 239-240). Centre and limits are given in the unit of the times.
    """
    shaped, _ = individuals_chart([max(float(v), 0.0) ** (1 / TIME_POWER) for v in between])

    def back(line: list[float]) -> list[float]:
        return [max(v, 0.0) ** TIME_POWER for v in line]

    values = [float(v) for v in between]
    return Chart(
        "t", values, back(shaped.centre), back(shaped.lower), back(shaped.upper), shaped.signals
    )


@dataclass(frozen=True)
class Capability:
    """Cp, Cpk and the share outside the limits, in parts per million, were it normal."""

    cp: float
    cpk: float
    ppm_outside: float


def capability(mean: float, deviation: float, low: float, high: float) -> Capability:
    """Return the capability of a process against two limits (ISO 22514-2)."""
    below = 0.5 * math.erfc((mean - low) / (deviation * math.sqrt(2)))
    above = 0.5 * math.erfc((high - mean) / (deviation * math.sqrt(2)))
    return Capability(
        (high - low) / (6 * deviation),
        min(high - mean, mean - low) / (3 * deviation),
        1e6 * (below + above),
    )


def _chart(
    kind: str,
    values: list[float],
    centre: list[float],
    lower: list[float],
    upper: list[float],
    *,
    runs: bool = False,
) -> Chart:
    signals = [
        Signal(i, "outside the limits")
        for i, v in enumerate(values)
        if v > upper[i] + 1e-12 or v < lower[i] - 1e-12
    ]
    if runs:
        signals += _runs(values, centre)
    return Chart(kind, values, centre, lower, upper, sorted(signals, key=lambda s: s.index))


def _runs(values: list[float], centre: list[float]) -> list[Signal]:
    """Return the signals of Nelson's rules 2 (nine on one side) and 3 (six rising or falling).

    A run that goes on is a signal at each further point: it has not ended.
    """
    found = []
    side = run = trend = direction = 0
    for i, value in enumerate(values):
        here = (value > centre[i]) - (value < centre[i])
        run = run + 1 if here and here == side else (1 if here else 0)
        side = here
        if run >= 9:
            found.append(Signal(i, "nine in a row on one side of the centre"))
        if i:
            step = (value > values[i - 1]) - (value < values[i - 1])
            trend = trend + 1 if step and step == direction else (1 if step else 0)
            direction = step
            if trend >= 5:
                found.append(Signal(i, "six in a row rising or falling"))
    return found

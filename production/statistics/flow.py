"""Flow and yield: percentiles, rolled yield, Little's law, Pareto, equipment effectiveness."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from typing import TypeVar

import numpy as np

Key = TypeVar("Key", bound=Hashable)


def percentile(values: Sequence[float], level: float) -> float | None:
    """Return the ``level`` (0–1) quantile by linear interpolation; None of nothing."""
    return float(np.quantile(np.asarray(values, dtype=float), level)) if len(values) else None


def rolled_yield(yields: Iterable[float]) -> float:
    """Return the probability of passing every stage the first time: the product of the yields."""
    return math.prod(yields)


def little_gap(arrival_rate: float, mean_time: float, mean_number: float) -> float:
    """Return how far L is from λW, relative to L (Little, Oper. Res. 9 (1961) 383-387).

    A large gap means that starts or ends are not recorded, or that the range is no
    steady state; with no work in progress it is 0.
    """
    return (arrival_rate * mean_time - mean_number) / mean_number if mean_number else 0.0


def pareto(counts: dict[Key, int]) -> list[tuple[Key, int, float]]:
    """Return (key, count, cumulative share), largest first; ties in the order given."""
    total = sum(counts.values())
    rows, running = [], 0
    for key, count in sorted(counts.items(), key=lambda item: -item[1]):
        running += count
        rows.append((key, count, running / total if total else 0.0))
    return rows


def equipment_effectiveness(
    planned: float, run: float, ideal_per_unit: float, made: int, good: int
) -> tuple[float, float, float, float]:
    """Return availability, performance, quality and their product (ISO 22400-2)."""
    availability = run / planned if planned else 0.0
    performance = ideal_per_unit * made / run if run else 0.0
    quality = good / made if made else 0.0
    return availability, performance, quality, availability * performance * quality

"""The promise record: predicted probability against what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Band", "Reliability", "reliability"]

BANDS = 10
BOOTSTRAPS = 400


@dataclass(frozen=True)
class Band:
    """Predictions of nearly the same probability, and how often it then happened."""

    low: float
    high: float
    count: int
    predicted: float
    happened: float


@dataclass(frozen=True)
class Reliability:
    """How far probabilities can be trusted.

    ``calibration_error``: mean distance between predicted and observed, weighted by the
    number of predictions (expected calibration error, ten equal bands), with its 95 %
    range over days drawn again; ``skill``: Brier skill score over always predicting
    the observed rate (None where that was 0 or 1).
    """

    count: int
    predicted: float
    happened: float
    calibration_error: float
    calibration_range: tuple[float, float]
    brier: float
    skill: float | None
    bands: tuple[Band, ...]


def reliability(
    predicted: Sequence[float],
    happened: Sequence[bool],
    days: Sequence[object] | None = None,
    *,
    seed: int = 0,
) -> Reliability:
    """Compare predicted probabilities with what happened.

    Parameters
    ----------
    predicted : sequence of float
        Probabilities of the event (a promise kept, or broken).
    happened : sequence of bool
    days : sequence, optional
        Day of each prediction: those of one day stand or fall together, so the range
        of the calibration error comes from drawing whole days again. Default: each
        prediction is a day of its own.
    seed : int

    Raises
    ------
    ValueError
        When the lengths differ or there is nothing to compare.
    """
    p = np.asarray(predicted, dtype=np.float64)
    y = np.asarray(happened, dtype=np.float64)
    if p.size == 0 or p.shape != y.shape or (days is not None and len(days) != p.size):
        raise ValueError("predicted, happened and days must have one same length of at least 1")
    numbers: dict[object, int] = {}
    labels = range(p.size) if days is None else days
    day = np.array([numbers.setdefault(d, len(numbers)) for d in labels])
    band = np.minimum((p * BANDS).astype(np.int64), BANDS - 1)
    # Sums by day and band, so that drawing days again is adding rows.
    sums = np.zeros((len(numbers), BANDS, 3))
    for column, values in enumerate((np.ones_like(p), p, y)):
        np.add.at(sums[:, :, column], (day, band), values)
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(len(numbers), np.full(len(numbers), 1 / len(numbers)), BOOTSTRAPS)
    errors = [_error(row) for row in np.tensordot(drawn, sums, axes=1)]
    brier = float(((p - y) ** 2).mean())
    rate = float(y.mean())
    climate = rate * (1 - rate)
    totals = sums.sum(axis=0)
    return Reliability(
        count=int(p.size),
        predicted=float(p.mean()),
        happened=rate,
        calibration_error=_error(totals),
        calibration_range=(float(np.quantile(errors, 0.025)), float(np.quantile(errors, 0.975))),
        brier=brier,
        skill=1 - brier / climate if climate > 0 else None,
        bands=tuple(
            Band(b / BANDS, (b + 1) / BANDS, int(n), float(s / n), float(h / n))
            for b, (n, s, h) in enumerate(totals)
            if n > 0
        ),
    )


def _error(sums: NDArray[np.float64]) -> float:
    count = sums[:, 0].sum()
    return float(np.abs(sums[:, 1] - sums[:, 2]).sum() / max(count, 1.0))

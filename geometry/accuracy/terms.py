"""Trueness and precision in the sense of ISO 5725-1.

Trueness is the closeness of the mean of many results to the reference, told as the bias
|mean − reference|; precision is the closeness of results to each other, told as their
standard deviation; accuracy is both. For signed deviations, RMS² = bias² + SD² (SD of the
population).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError

LIMITS_MM = (0.10, 0.25, 0.50)
"""±0.25 mm for a tooth and ±0.50 mm across the arch: Biomimetics 2024;9(4):217. ±0.10 mm
is a tighter limit that some authors use; there is no single standard."""


@dataclass(frozen=True, slots=True)
class Deviations:
    """Signed deviations of a surface, mm.

    Attributes
    ----------
    bias_mm : float
        Mean; positive where the print is too large.
    sd_mm : float
        Standard deviation over the surface (population).
    rms_mm, mean_absolute_mm, p95_mm, largest_mm : float
        The last two of absolute deviations.
    within : dict
        Share of the surface within ±0.10, 0.25 and 0.50 mm.
    """

    bias_mm: float
    sd_mm: float
    rms_mm: float
    mean_absolute_mm: float
    p95_mm: float
    largest_mm: float
    within: dict[str, float]

    def as_dict(self) -> dict[str, object]:
        """Return it ready for JSON."""
        return asdict(self)


def describe_offsets(
    offsets: NDArray[np.float64] | Sequence[float],
    weights: NDArray[np.float64] | None = None,
) -> Deviations:
    """Describe signed deviations.

    Parameters
    ----------
    offsets : (n,) mm
    weights : (n,), optional
        Surface that each stands for.

    Raises
    ------
    GeometryError
        When there are none, or some are no numbers.
    """
    d = np.asarray(offsets, dtype=np.float64)
    if d.size == 0:
        raise GeometryError("no deviation was measured; the scans show nothing in common")
    w = np.ones_like(d) if weights is None else np.asarray(weights, dtype=np.float64)
    if not np.isfinite(d).all() or not w.sum() > 0.0:
        raise GeometryError("a deviation is no number, or stands for no surface; measure again")
    w = w / w.sum()
    bias = float(w @ d)
    size = np.abs(d)
    order = np.argsort(size)
    p95 = float(size[order][np.searchsorted(np.cumsum(w[order]), 0.95 - 1e-12)])
    return Deviations(
        bias_mm=bias,
        sd_mm=float(np.sqrt(w @ (d - bias) ** 2)),
        rms_mm=float(np.sqrt(w @ d**2)),
        mean_absolute_mm=float(w @ size),
        p95_mm=p95,
        largest_mm=float(size.max()),
        within={f"{limit:.2f}": float(w @ (size <= limit)) for limit in LIMITS_MM},
    )


def trueness_and_precision(
    results: Sequence[float], reference: float
) -> tuple[float, float | None]:
    """Return trueness and precision of repeated results.

    Parameters
    ----------
    results : sequence of float
    reference : float
        The accepted value.

    Returns
    -------
    trueness : float
        |mean − reference|.
    precision : float or None
        Standard deviation of the results (n − 1); None for a single one.

    Raises
    ------
    GeometryError
        When there is no result, or one is no number.
    """
    values = np.asarray(results, dtype=np.float64)
    if values.size == 0:
        raise GeometryError("no result to judge; measure at least one print")
    if not np.isfinite([*values, reference]).all():
        raise GeometryError("a result or the reference is no number; measure again")
    trueness = float(abs(values.mean() - reference))
    return trueness, float(values.std(ddof=1)) if values.size > 1 else None

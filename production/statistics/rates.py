"""Intervals for a rate seen as k out of n."""

from __future__ import annotations

import math
from statistics import NormalDist

from scipy.stats import beta


def wilson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the Wilson score interval of a proportion.

    Parameters
    ----------
    k, n : int
        Successes and trials; with n = 0 nothing is known: (0, 1).
    confidence : float

    Returns
    -------
    (low, high)

    Notes
    -----
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212.
    """
    if n == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    p = k / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return max(0.0, middle - half) if k else 0.0, min(1.0, middle + half) if k < n else 1.0


def difference(
    k: int, n: int, k_before: int, n_before: int, confidence: float = 0.95
) -> tuple[float, float]:
    """Return the interval of the difference of two independent proportions, now minus before.

    Notes
    -----
    From the two Wilson intervals: method 10 of R. G. Newcombe, Stat. Med. 17 (1998) 873-890.
    Nothing is known, (-1, 1), when either has no trials.
    """
    if not n or not n_before:
        return -1.0, 1.0
    now, before = k / n, k_before / n_before
    low, high = wilson(k, n, confidence)
    low_before, high_before = wilson(k_before, n_before, confidence)
    gap = now - before
    return (
        gap - math.hypot(now - low, high_before - before),
        gap + math.hypot(high - now, before - low_before),
    )


def clopper_pearson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a proportion.

    Notes
    -----
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413.
    """
    if n == 0:
        return 0.0, 1.0
    tail = (1 - confidence) / 2
    low = float(beta.ppf(tail, k, n - k + 1)) if k else 0.0
    high = float(beta.ppf(1 - tail, k + 1, n - k)) if k < n else 1.0
    return low, high


def rule_of_three(n: int) -> float:
    """Return the usual upper 95 % bound of a rate that was never seen in ``n`` trials."""
    return min(1.0, 3.0 / n) if n else 1.0

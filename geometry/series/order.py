"""Which order of steps is the smoothest, and what that says about their numbers.

Each step differs from the next by little, and from the one after that by more. The
right order is the shortest path through all shapes (seriation); a number is doubted only
when another order is shorter by more than noise explains.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

GAIN_SHARE = 0.06
"""Of the usual distance between neighbours: so much shorter must another order be."""
LEAST_GAIN_MM = 0.002
SAME_SHARE = 0.25
LEAST_SAME_MM = 0.003
FEWEST_TO_COMPARE = 5
"""Steps from which on the others tell two copies, noisy as they may be, from two steps."""


@dataclass(frozen=True)
class Ordering:
    """What the shapes say about the numbers; entries are positions in the given order.

    Attributes
    ----------
    swapped : list of (int, int)
        Pairs that stand in each other's place.
    misplaced : list of (int, int or None, int or None)
        A step, and the two between which its shape belongs (None beyond an end).
    doubled : list of (int, int)
        Pairs of one shape.
    order : list of int
        The positions in the order of the shapes.
    """

    swapped: list[tuple[int, int]] = field(default_factory=list)
    misplaced: list[tuple[int, int | None, int | None]] = field(default_factory=list)
    doubled: list[tuple[int, int]] = field(default_factory=list)
    order: list[int] = field(default_factory=list)


def _length(distances: NDArray[np.float64], order: NDArray[np.int64]) -> float:
    return float(distances[order[:-1], order[1:]].sum())


def usual_distance(distances: NDArray[np.float64]) -> float:
    """Median over consecutive steps of how far apart they are; 0 for fewer than two."""
    if len(distances) < 2:
        return 0.0
    return float(np.median(np.diag(distances, 1)))


def shortest_order(distances: NDArray[np.float64], least_gain: float) -> NDArray[np.int64]:
    """Improve the given order by exchanging or moving steps while that pays.

    Parameters
    ----------
    distances : (n, n) float64, symmetric
    least_gain : float
        How much shorter the path must become by one change.
    """
    order = np.arange(len(distances))
    n = len(order)
    for _ in range(4 * n):
        now = _length(distances, order)
        best, chosen = now - least_gain, None
        for i in range(n):
            for j in range(i + 1, n):
                swapped = order.copy()
                swapped[[i, j]] = swapped[[j, i]]
                forward = np.insert(np.delete(order, i), j, order[i])
                backward = np.insert(np.delete(order, j), i, order[j])
                for other in (swapped, forward, backward):
                    length = _length(distances, other)
                    if length < best - 1e-12:
                        best, chosen = length, other
        if chosen is None:
            break
        order = chosen
    # A path has no direction: take the one that agrees better with the numbers.
    back = order[::-1]
    return order if (order == np.arange(n)).sum() >= (back == np.arange(n)).sum() else back


def judge_order(distances: NDArray[np.float64]) -> Ordering:
    """Compare the given order with the shortest one.

    Parameters
    ----------
    distances : (n, n) float64
        Symmetric, between shapes, in the order of their numbers.
    """
    n = len(distances)
    if n < 3:
        return Ordering(doubled=_same(distances, np.arange(n)), order=list(range(n)))
    least_gain = max(LEAST_GAIN_MM, GAIN_SHARE * usual_distance(distances))
    order = shortest_order(distances, least_gain)
    swapped = [(p, int(q)) for p, q in enumerate(order) if p < q and order[q] == p]
    exchanged = {k for pair in swapped for k in pair}
    # With those put right, the longest rising run stays; what is outside it is misplaced.
    rest = [int(k) for k in order if int(k) not in exchanged]
    staying = _longest_rising(rest)
    misplaced: list[tuple[int, int | None, int | None]] = []
    for at, k in enumerate(rest):
        if k not in staying:
            before = rest[at - 1] if at else None
            after = rest[at + 1] if at + 1 < len(rest) else None
            misplaced.append((k, before, after))
    # In the order of the shapes: numbers that lie would make neighbours look far apart.
    return Ordering(swapped, sorted(misplaced), _same(distances, order), order.tolist())


def _same(distances: NDArray[np.float64], order: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return pairs of one shape.

    Noise keeps two scans of one shape apart, but they are as far from every other step.
    """
    n = len(distances)
    limit = max(LEAST_SAME_MM, SAME_SHARE * usual_distance(distances[np.ix_(order, order)]))
    same = distances < limit
    if n >= FEWEST_TO_COMPARE:
        unlike = _unlike(distances)
        others = distances + np.where(np.eye(n, dtype=bool), np.inf, 0.0)
        nearest = others == others.min(axis=1)
        alike = unlike < SAME_SHARE * usual_distance(unlike[np.ix_(order, order)])
        same |= alike & nearest & nearest.T
    return [(i, j) for i in range(n) for j in range(i + 1, n) if same[i, j]]


def _unlike(distances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over all other steps of how differently far from them two steps are; (n, n)."""
    n = len(distances)
    apart = np.abs(distances[:, None] - distances[None])
    # Each is at no distance from itself, which says nothing.
    total = apart.sum(axis=2) - 2.0 * distances
    return np.asarray(total / (n - 2))


def _longest_rising(values: list[int]) -> set[int]:
    tails: list[int] = []
    ends: list[int] = []
    before: list[int] = []
    for at, value in enumerate(values):
        k = bisect_left(tails, value)
        before.append(ends[k - 1] if k else -1)
        if k == len(tails):
            tails.append(value)
            ends.append(at)
        else:
            tails[k], ends[k] = value, at
    out: set[int] = set()
    at = ends[-1] if ends else -1
    while at >= 0:
        out.add(values[at])
        at = before[at]
    return out

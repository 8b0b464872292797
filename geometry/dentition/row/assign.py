"""Which tooth stands where: the cheapest way to lay the teeth of an arch over its row."""

from __future__ import annotations

import numpy as np
from numba import njit

NOWHERE = 1e9
FRONT = (5, 10)
"""Incisors and canines, counted from the right: crowded, they overlap."""

NARROW, NARROWEST, NARROWEST_FRONT, BROADEST = 0.7, 0.62, 0.5, 1.4
WIDTH_SD = 0.11
SLOT_MM, SPACE_MM, INSET_MM = 24.0, 6.0, 1.2
MOST_ABSENT = 4
GROOVE_MOST = 3.0
MISFIT, MISFIT_MOST = 0.5, 12.0
AWAY, AWAY_MOST = 0.5, 6.0
# Rows of what is known of every column, and of what is usual for every tooth.
GROOVE, STAGGER, CROWN_SUM, BREADTH_SUM, ALONG = range(5)
WIDTH, BREADTH, BREADTH_SD, EXPECTED, EXPECTED_SD, BEGINS, WIDTH_2, BREADTH_2, PRICE = range(9)


@njit(cache=True, nogil=True, inline="always")
def _size_cost(long, hidden, broad, width, breadth, breadth_sd):  # type: ignore[no-untyped-def]
    """Cost of a tooth's length along the row, of which some may be hidden, and its breadth."""
    sd = WIDTH_SD * width
    off = (long - width) / sd
    if off < 0.0 and hidden >= 0.0:
        off = NARROW * min(off + hidden / sd, 0.0)
    misfit = (broad - breadth) / breadth_sd
    return 0.5 * off * off + MISFIT * min(misfit * misfit, MISFIT_MOST)


@njit(cache=True, nogil=True, inline="always")
def _size_costs(columns, usual, k, i, j, step):  # type: ignore[no-untyped-def]
    """Costs of the size of tooth ``k`` from column ``i`` to ``j``, and of the other there."""
    long = (j - i) * step
    hidden = -1.0
    if FRONT[0] <= k <= FRONT[1]:
        hidden = 0.5 * (columns[STAGGER, i] + columns[STAGGER, j])
    inset = (j - i) // 4
    a, b = i + inset, j - inset
    broad = (columns[BREADTH_SUM, b] - columns[BREADTH_SUM, a]) / (b - a)
    sd = usual[BREADTH_SD, k]
    size = _size_cost(long, hidden, broad, usual[WIDTH, k], usual[BREADTH, k], sd)
    other = usual[PRICE, k]
    if other < NOWHERE:
        other += _size_cost(long, hidden, broad, usual[WIDTH_2, k], usual[BREADTH_2, k], sd)
    return size, other


@njit(cache=True, nogil=True)
def _tooth_cost(columns, usual, k, i, j, inner, step):  # type: ignore[no-untyped-def]
    """Cost of tooth ``k`` from column ``i`` to ``j``; ``inner`` is the clearest groove in it."""
    empty = (j - i) - (columns[CROWN_SUM, j] - columns[CROWN_SUM, i])
    size, other = _size_costs(columns, usual, k, i, j, step)
    size = min(size, other)
    cost = 2.0 + size + 1.3 * step * empty + 2.2 * inner
    ends = min(columns[GROOVE, i], GROOVE_MOST) + min(columns[GROOVE, j], GROOVE_MOST)
    cost -= 1.1 * ends
    away = (columns[ALONG, (i + j) // 2] - usual[EXPECTED, k]) / usual[EXPECTED_SD, k]
    return cost + AWAY * min(away * away, AWAY_MOST)


@njit(cache=True, nogil=True)
def _columns_of(usual, k, step):  # type: ignore[no-untyped-def]
    """The fewest and the most columns that tooth k may take."""
    share = NARROWEST_FRONT if FRONT[0] <= k <= FRONT[1] else NARROWEST
    least = most = usual[WIDTH, k]
    if usual[PRICE, k] < NOWHERE:
        least, most = min(least, usual[WIDTH_2, k]), max(most, usual[WIDTH_2, k])
    small = int(np.floor(share * least / step))
    large = int(np.ceil(BROADEST * most / step))
    return small, large


@njit(cache=True, nogil=True)
def lay_teeth(columns, usual, step):  # type: ignore[no-untyped-def]
    """Cheapest choice of teeth and their ends, by dynamic programming.

    Parameters
    ----------
    columns : (5, n) float64
        Of every column: groove, stagger, sums of crown and of breadth before it, and the
        way to the midline.
    usual : (9, k) float64
        Of every tooth from the right: width, breadth and its standard deviation, way to the
        midline and its standard deviation, cost of a row that begins (or ends) with it; width
        and breadth of the other tooth that may stand in its place, and what that costs.
    step : float
        Breadth of a column, mm.

    Returns
    -------
    cost : float
    labels, starts, stops : (m,) int32
        Teeth from the right, first and last column of each.
    entry : (k, n) float64
        Least cost of all before a column where a tooth begins.
    """
    n = columns.shape[1]
    teeth = usual.shape[1]
    up = columns[CROWN_SUM]
    best = np.full((teeth, n), NOWHERE)
    from_tooth = np.full((teeth, n), -1, np.int32)
    from_stop = np.full((teeth, n), -1, np.int32)
    from_start = np.full((teeth, n), -1, np.int32)
    slot, space = int(SLOT_MM / step), int(SPACE_MM / step)
    inset = int(INSET_MM / step)
    entry = np.full((teeth, n), NOWHERE)
    entry_tooth = np.full((teeth, n), -1, np.int32)
    entry_stop = np.full((teeth, n), -1, np.int32)
    # What is left of the cost of a row up to a column when the crown after it is paid for.
    left = np.full((teeth, n), NOWHERE)
    passing = np.empty(slot + 1)
    for k in range(teeth):
        for i in range(n):
            entry[k, i] = usual[BEGINS, k] + up[i] * step * 2.0
        for m in range(max(0, k - 1 - MOST_ABSENT), k):
            skipped = k - m - 1
            room = 0.0
            for q in range(m + 1, k):
                room += usual[WIDTH, q]
            widest = slot if skipped else space
            for g in range(widest + 1):
                gap = g * step
                if skipped == 0:
                    passing[g] = 0.6 + 0.25 * gap if g > 0 else 0.0
                else:
                    off = (gap - 0.85 * room) / (0.35 * room)
                    passing[g] = 2.2 * skipped + (0.5 if off > 0.0 else 0.35) * off * off
            for i in range(n):
                lowest = NOWHERE
                stop = -1
                for g in range(min(widest, i) + 1):
                    cost = left[m, i - g] + passing[g]
                    if cost < lowest:
                        lowest, stop = cost, i - g
                cost = lowest + 2.0 * step * up[i]
                if cost < entry[k, i]:
                    entry[k, i] = cost
                    entry_tooth[k, i] = m
                    entry_stop[k, i] = stop
        small, large = _columns_of(usual, k, step)
        for i in range(n):
            if entry[k, i] >= NOWHERE:
                continue
            inner = 0.0
            for j in range(i + 1, min(i + large, n - 1) + 1):
                c = j - inset
                if c - i >= inset and columns[GROOVE, c] > inner:
                    inner = columns[GROOVE, c]
                if j - i < small:
                    continue
                cost = entry[k, i] + _tooth_cost(columns, usual, k, i, j, inner, step)
                if cost < best[k, j]:
                    best[k, j] = cost
                    from_start[k, j] = i
                    from_tooth[k, j] = entry_tooth[k, i]
                    from_stop[k, j] = entry_stop[k, i]
        for j in range(n):
            if best[k, j] < NOWHERE:
                left[k, j] = best[k, j] - 2.0 * step * up[j]
    lowest = NOWHERE
    at_k, at_j = -1, -1
    for k in range(teeth):
        for j in range(n):
            cost = best[k, j] + usual[BEGINS, teeth - 1 - k] + (up[n - 1] - up[j]) * step * 2.0
            if cost < lowest:
                lowest, at_k, at_j = cost, k, j
    labels = np.full(teeth, -1, np.int32)
    starts = np.zeros(teeth, np.int32)
    stops = np.zeros(teeth, np.int32)
    found = 0
    while at_k >= 0 and found < teeth:
        found += 1
        labels[teeth - found] = at_k
        starts[teeth - found] = from_start[at_k, at_j]
        stops[teeth - found] = at_j
        at_k, at_j = from_tooth[at_k, at_j], from_stop[at_k, at_j]
    first = teeth - found
    return lowest, labels[first:], starts[first:], stops[first:], entry


@njit(cache=True, nogil=True)
def as_other(columns, usual, step, labels, starts, stops):  # type: ignore[no-untyped-def]
    """How much dearer each tooth found is as itself than as the other in its place, (m,).

    Below 0 it is itself; ``usual`` and the rest as for :func:`lay_teeth`.
    """
    out = np.empty(labels.shape[0])
    for t in range(labels.shape[0]):
        size, other = _size_costs(columns, usual, labels[t], starts[t], stops[t], step)
        out[t] = size - other
    return out


@njit(cache=True, nogil=True)
def other_numbers(columns, usual, step, before, after, labels, middles):  # type: ignore[no-untyped-def]
    """How much dearer the best row is in which each tooth found has another number, (m,).

    Parameters
    ----------
    columns, usual, step
        As for :func:`lay_teeth`.
    before, after : (k, n) float64
        Its ``entry``, and that of the row seen from the other end.
    labels, middles : (m,) int32
        Teeth found and the column in the middle of each.
    """
    n = columns.shape[1]
    teeth = usual.shape[1]
    out = np.empty(labels.shape[0])
    inset = int(INSET_MM / step)
    for t in range(labels.shape[0]):
        same = other = NOWHERE
        c = middles[t]
        for k in range(teeth):
            small, large = _columns_of(usual, k, step)
            near = max(int(0.25 * usual[WIDTH, k] / step), 1)
            for i in range(max(c - large, 0), c - near + 1):
                if before[k, i] >= NOWHERE:
                    continue
                inner = 0.0
                for j in range(i + 1, min(i + large, n - 1) + 1):
                    q = j - inset
                    if q - i >= inset and columns[GROOVE, q] > inner:
                        inner = columns[GROOVE, q]
                    if j - i < small or j < c + near:
                        continue
                    cost = before[k, i] + after[teeth - 1 - k, n - 1 - j]
                    if cost < other or (k == labels[t] and cost < same):
                        cost += _tooth_cost(columns, usual, k, i, j, inner, step)
                        if k == labels[t]:
                            same = min(same, cost)
                        else:
                            other = min(other, cost)
        out[t] = other - same
    return out

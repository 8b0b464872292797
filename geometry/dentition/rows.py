"""Where one tooth ends and the next begins, and which teeth they are.

One pass of dynamic programming along the arch chooses the teeth present, their
boundaries and the toothless stretches together, from grooves between crowns, the
height of the surface, and the usual widths by position.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from geometry.dentition.crowns import row_numbers, row_sizes
from geometry.dentition.sheets import STEP_S_MM, STEP_Z_MM, Sheets, smoothed

Array = NDArray[np.float64]

SCALES = (0.84, 0.9, 0.96, 1.02, 1.08, 1.14)
COARSE = 2
GROOVE_HALF_MM = 1.7
GROOVE_FLOOR_MM, GROOVE_FULL_MM = 0.1, 3.0
"""Crowded front teeth have shallow grooves: depth counts by its root, less the noise."""
FRONT, NARROW = (5, 10), 0.7
"""Front teeth, counted from the right, overlap: being narrow counts this much less."""
CROWN_DROP_MM = 3.6
ENVELOPE_MM = 16.0
MIDLINE_SD_MM = 1.6
SUNKEN_LEAST_MM = 3.0
NECK_SHARE = 0.93
ABOVE_NECKS_MM = 1.5
GROOVE_LEAST_MM = 0.25
"""A tooth below the row rises this far over its neighbours' necks and the grooves beside it."""
BLADE_MM = 2.0
BLADE_THICKNESS_MM = {
    "upper": np.array([3.2, 3.2, 4.6, 7.4, 7.6, 9.5, 9.8, 8.5]),
    "lower": np.array([3.1, 3.3, 4.3, 5.6, 6.5, 7.5, 8.3, 7.0]),
}
"""Usual thickness 2 mm below edge or cusp tip, teeth 1–8: common anatomy, no source."""
BLADE_SD_MM = np.array([1.0, 1.0, 1.1, 1.6, 1.6, 2.6, 2.6, 2.6])


@dataclass(frozen=True, slots=True)
class Row:
    """The teeth found, from the patient's right to the left.

    Attributes
    ----------
    numbers : (k,) int64
        Tentative ISO 3950 numbers.
    start, stop : (k,) float64
        Arc length of each tooth's two ends, mm.
    cost : float
        Lower is a better explanation; compares the upper with the lower arch.
    scale : float
        Tooth size against the average of the table.
    """

    numbers: NDArray[np.int64]
    start: Array
    stop: Array
    cost: float
    scale: float


@dataclass(frozen=True, slots=True)
class Signs:
    """What speaks for boundaries and for crowns, per column of the sheets.

    Attributes
    ----------
    groove : (n,) float64
        Clearness of the interdental groove there, from its depth summed over facial,
        lingual and top; as much as its depth in mm for deep ones, more for shallow ones.
    crown : (n,) float64
        1 where the surface stands as high as crowns do, 0 where it is gum or nothing.
    envelope : (n,) float64
        Height of the biting surface around, mm.
    thickness : (n,) float64
        Faciolingual thickness a little below the biting surface, mm; NaN where unknown.
    """

    groove: Array
    crown: Array
    envelope: Array
    thickness: Array


def read_signs(sheets: Sheets) -> Signs:
    """Measure grooves and heights along the arch."""
    top = np.where(np.isnan(sheets.top), -20.0, sheets.top)
    wide = maximum_filter1d(top, int(ENVELOPE_MM / STEP_S_MM) | 1)
    envelope = gaussian_filter1d(np.maximum(wide, -2.0), 2.0 / STEP_S_MM)
    near = maximum_filter1d(top, int(5.0 / STEP_S_MM) | 1)
    crown = np.clip((top - (envelope - CROWN_DROP_MM)) / 0.8 + 0.5, 0.0, 1.0)
    crown[near < -7.0] = 0.0
    d = round(GROOVE_HALF_MM / STEP_S_MM)
    total = np.zeros(len(top))
    rows = np.arange(len(top))
    for sheet, sign in ((sheets.facial, 1.0), (sheets.lingual, -1.0)):
        smooth, _ = smoothed(sheet, 0.3, 0.3)
        value = smooth * sign
        left, right = np.roll(value, d, axis=0), np.roll(value, -d, axis=0)
        around = np.fmin(left, right)
        depth = around - value
        # A void between two crowns is a groove of full depth.
        void = np.isnan(value) & (sheets.z[None, :] > top[:, None] - 0.1) & ~np.isnan(around)
        depth = np.where(void, 2.5, depth)
        depth = np.where(np.isnan(depth), 0.0, np.clip(depth, 0.0, 2.5))
        first = np.clip(((sheets.z[0] - (envelope - 1.6)) / STEP_Z_MM).astype(int), 0, None)
        count = int(3.6 / STEP_Z_MM)
        sums = np.concatenate([np.zeros((len(top), 1)), np.cumsum(depth, axis=1)], axis=1)
        a = np.clip(first, 0, sums.shape[1] - 1)
        b = np.clip(first + count, 0, sums.shape[1] - 1)
        total += (sums[rows, b] - sums[rows, a]) / count
    dip = np.fmin(np.roll(top, d), np.roll(top, -d)) - top
    total += 0.4 * np.clip(dip, 0.0, 2.0)
    depth = np.maximum(gaussian_filter1d(total, 0.25 / STEP_S_MM) - GROOVE_FLOOR_MM, 0.0)
    return Signs(np.sqrt(depth * GROOVE_FULL_MM), crown, envelope, _thickness(sheets, near))


def _thickness(sheets: Sheets, near: Array) -> Array:
    """Thickness ``BLADE_MM`` below the tops around."""
    level = np.where(near > -7.0, near, 0.0) - BLADE_MM
    column = np.clip(((sheets.z[0] - level) / STEP_Z_MM).astype(int), 1, len(sheets.z) - 2)
    rows = np.arange(len(near))
    stack = [sheets.facial[rows, column + d] - sheets.lingual[rows, column + d] for d in (-1, 0, 1)]
    middle = np.sort(np.stack(stack), axis=0)[1]
    return np.where(near > -7.0, np.clip(middle, 0.0, 14.0), np.nan)


@njit(cache=True, nogil=True)
def _assign(groove, crown, misfit, right_of_midline, width, step, present_first):  # type: ignore[no-untyped-def]
    """Best teeth and boundaries; returns (cost, labels, starts, stops)."""
    n = groove.shape[0]
    teeth = width.shape[0]
    big = 1e9
    up = np.zeros(n + 1)
    for j in range(n):
        up[j + 1] = up[j] + crown[j]
    best = np.full((teeth, n), big)
    from_tooth = np.full((teeth, n), -1, np.int32)
    from_stop = np.full((teeth, n), -1, np.int32)
    from_start = np.full((teeth, n), -1, np.int32)
    longest_gap = int(24.0 / step)
    longest_space = int(6.0 / step)
    # entry[k, i]: cheapest way to have everything before column i told, tooth k starting at i
    entry = np.full((teeth, n), big)
    entry_tooth = np.full((teeth, n), -1, np.int32)
    entry_stop = np.full((teeth, n), -1, np.int32)
    for k in range(teeth):
        for i in range(n):
            cost = present_first[k] + up[i] * step * 2.0
            entry[k, i] = cost
        for m in range(max(0, k - 5), k):
            skipped = k - m - 1
            room = 0.0
            for q in range(m + 1, k):
                room += width[q]
            widest = longest_gap if skipped else longest_space
            for i in range(n):
                for e in range(max(0, i - widest), i + 1):
                    if best[m, e] >= big:
                        continue
                    gap = (i - e) * step
                    inside = (up[i] - up[e]) * step
                    if skipped == 0:
                        cost = best[m, e] + 2.0 * inside
                        if gap > 0.0:
                            cost += 0.6 + 0.25 * gap
                    else:
                        off = (gap - 0.85 * room) / (0.35 * room)
                        cost = best[m, e] + 2.0 * inside + 2.2 * skipped
                        if off > 0.0:
                            cost += 0.5 * off * off
                        else:
                            cost += 0.35 * off * off
                    if cost < entry[k, i]:
                        entry[k, i] = cost
                        entry_tooth[k, i] = m
                        entry_stop[k, i] = e
        small = int(np.floor(0.62 * width[k] / step))
        large = int(np.ceil(1.4 * width[k] / step))
        sd = 0.11 * width[k]
        for i in range(n):
            if entry[k, i] >= big:
                continue
            inner = 0.0
            margin = int(1.2 / step)
            for j in range(i + 1, min(i + large, n - 1) + 1):
                c = j - margin
                if c - i >= margin and groove[c] > inner:
                    inner = groove[c]
                if j - i < small:
                    continue
                off = ((j - i) * step - width[k]) / sd
                if off < 0.0 and FRONT[0] <= k <= FRONT[1]:
                    off *= NARROW
                empty = (j - i) * step - (up[j] - up[i]) * step
                cost = entry[k, i] + 0.5 * off * off + 1.3 * empty
                cost += 2.2 * inner - 1.1 * (min(groove[i], 3.0) + min(groove[j], 3.0))
                cost += 2.0 + 1.6 * (misfit[k, j] - misfit[k, i]) / (j - i)
                wrong = right_of_midline[(i + j) // 2]
                wrong = max(0.0, -wrong if 2 * k < teeth else wrong) / MIDLINE_SD_MM
                cost += 0.5 * min(wrong * wrong, 6.0)
                if cost < best[k, j]:
                    best[k, j] = cost
                    from_start[k, j] = i
                    from_tooth[k, j] = entry_tooth[k, i]
                    from_stop[k, j] = entry_stop[k, i]
    lowest = big
    at_k, at_j = -1, -1
    for k in range(teeth):
        for j in range(n):
            cost = best[k, j] + present_first[teeth - 1 - k] + (up[n] - up[j]) * step * 2.0
            if cost < lowest:
                lowest, at_k, at_j = cost, k, j
    labels = np.full(teeth, -1, np.int32)
    starts = np.zeros(teeth, np.int32)
    stops = np.zeros(teeth, np.int32)
    found = 0
    while at_k >= 0 and found < teeth:
        labels[found] = at_k
        starts[found] = from_start[at_k, at_j]
        stops[found] = at_j
        found += 1
        at_k, at_j = from_tooth[at_k, at_j], from_stop[at_k, at_j]
    return lowest, labels[:found], starts[:found], stops[:found]


# Extra cost when the row begins (or, mirrored, ends) with each of the 16 teeth.
_FIRST = np.array([1.0, 0.0, 0.6, 2.0, 3.0, 4.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0])


def find_row(signs: Signs, arch: str, across: Array) -> Row:
    """Name the teeth of an arch and find their ends.

    Parameters
    ----------
    signs : Signs
    arch : "upper" | "lower"
    across : (n,) float64
        Distance of each column's arch line point from the midline, mm, positive on the
        patient's right; NaN where the midline is not known.
    """
    right = np.nan_to_num(across[::COARSE])
    groove = np.maximum.reduceat(signs.groove, np.arange(0, len(signs.groove), COARSE))
    crown = np.add.reduceat(signs.crown, np.arange(0, len(signs.crown), COARSE)) / COARSE
    step = STEP_S_MM * COARSE
    sizes = row_sizes(arch)[:, 1]
    thick = signs.thickness[::COARSE]
    usual = np.concatenate([BLADE_THICKNESS_MM[arch][::-1], BLADE_THICKNESS_MM[arch]])
    spread = np.concatenate([BLADE_SD_MM[::-1], BLADE_SD_MM])
    off = np.minimum(((thick[None, :] - usual[:, None]) / spread[:, None]) ** 2, 5.0)
    off = np.where(np.isnan(off), 1.0, off)
    misfit = np.concatenate([np.zeros((16, 1)), np.cumsum(off, axis=1)], axis=1)
    found = None
    for scale in SCALES:
        cost, labels, starts, stops = _assign(
            groove, crown, misfit, right, sizes * scale * 0.97, step, _FIRST
        )
        cost += 0.5 * ((scale - 1.0) / 0.06) ** 2
        if found is None or cost < found[0]:
            found = (float(cost), labels[::-1], starts[::-1], stops[::-1], scale)
    assert found is not None
    total, labels, starts, stops, scale = found
    start, stop = _refined(signs.groove, starts * step, stops * step)
    return Row(row_numbers(arch)[labels], start, stop, total, scale)


def _refined(groove: Array, start: Array, stop: Array) -> tuple[Array, Array]:
    """Move shared boundaries to the deepest place of their groove."""
    start, stop = start.astype(np.float64), stop.astype(np.float64)
    reach = int(0.8 / STEP_S_MM)

    def deepest(at: float) -> float:
        i = round(at / STEP_S_MM)
        a, b = max(i - reach, 0), min(i + reach + 2, len(groove))
        return float((a + int(np.argmax(groove[a:b]))) * STEP_S_MM)

    for k in range(len(start) - 1):
        if start[k + 1] - stop[k] < 0.1:
            stop[k] = start[k + 1] = deepest(stop[k])
    return start, stop


def with_sunken(row: Row, top: Array, arch: str) -> Row:
    """Add teeth that stand well below the row, such as erupting ones, where one was missed.

    Between two neighbours that one tooth is missing from, gum lies at their necks or
    lower and sags; a tooth rises above that, with a groove on either side.

    Parameters
    ----------
    row : Row
    top : (n,) float64
        Highest surface of each column, mm; NaN where there is none.
    arch : "upper" | "lower"
    """
    order = row_numbers(arch).tolist()
    length = dict(zip(order, row_sizes(arch)[:, 0].tolist(), strict=True))
    numbers, start, stop = row.numbers.tolist(), row.start.tolist(), row.stop.tolist()
    for k in range(len(row.numbers) - 1, 0, -1):
        before, after = int(row.numbers[k - 1]), int(row.numbers[k])
        absent = order[order.index(before) + 1 : order.index(after)]
        a, b = float(row.stop[k - 1]), float(row.start[k])
        if len(absent) != 1 or b - a < SUNKEN_LEAST_MM:
            continue
        necks = 0.5 * (_neck(top, row, k - 1, length[before]) + _neck(top, row, k, length[after]))
        if _stands(top[round(a / STEP_S_MM) : round(b / STEP_S_MM) + 1], necks + ABOVE_NECKS_MM):
            numbers.insert(k, absent[0])
            start.insert(k, a)
            stop.insert(k, b)
    return replace(row, numbers=np.array(numbers), start=np.array(start), stop=np.array(stop))


def _neck(top: Array, row: Row, k: int, length: float) -> float:
    """Expected height of a tooth's gingival margin, mm."""
    part = top[round(row.start[k] / STEP_S_MM) : round(row.stop[k] / STEP_S_MM) + 1]
    part = part[~np.isnan(part)]
    return float(np.percentile(part, 95)) - NECK_SHARE * length if len(part) else np.inf


def _stands(stretch: Array, least: float) -> bool:
    """Whether the middle of a stretch rises above ``least`` and above both of its sides."""
    known = stretch[~np.isnan(stretch)]
    third = len(known) // 3
    if third < 3:
        return False
    peak = float(np.percentile(known[third:-third], 75))
    dip = max(float(known[:third].min()), float(known[-third:].min()))
    return bool(peak > least and peak > dip + GROOVE_LEAST_MM)

"""How much tissue was captured beyond the margin at each tooth, and how sure that is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from geometry.dentition.gum.attached import bonded_places, teeth_with
from geometry.dentition.gum.biting import biting_surface
from geometry.dentition.gum.creases import (
    high_steps,
    plainness,
    sharp_creases,
    without_bulges,
)
from geometry.dentition.gum.margin import (
    Expectation,
    Path,
    crease_angle,
    edge_step,
    expect,
    is_seen,
    middle_column,
    trace_margin,
)
from geometry.dentition.gum.one_sided import either, one_sided, without_line
from geometry.dentition.gum.roundness import ends_of_crowns, roundness
from geometry.dentition.gum.section import Relief, Stand, border_height, stand_of
from geometry.dentition.gum.sharpness import sharper, turn_within
from geometry.dentition.gum.wires import Pad, bonded_pads, covered
from geometry.dentition.result import SHORT_ODDS
from geometry.dentition.row.crowns import (
    FIRST_PRIMARY,
    arch_of,
    height_shares,
    row_numbers,
    row_sizes,
)
from geometry.dentition.row.lengths import shared_ratio
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, Sheets, lowest_scanned, smoothed

Array = NDArray[np.float64]

USUAL_RATIO = 0.93
RATIO_SD = 0.11
TRUST_MOUTH, TRUST_PART = 3.0, 4.0
"""So many clear margins weigh as much as the average, for the mouth and for front or back."""
PLAIN_WALL = {"facial": (2.0, 1.0), "lingual": (0.0, 0.65)}
"""How plain the walls of front and back teeth are, so that of two steps the upper one is the
margin: lips' sides are smooth, a cingulum bulges, and lower molars lean over their necks."""
ROUND_WEIGHT = {"facial": (0.3, 0.3), "lingual": (0.2, 0.3)}
"""Log odds of a millimetre of round crown, front and back teeth."""
LOWER = (3, 4, 7, 8)
"""Quadrants, ISO 3950."""
FAINT_SHORTER, FAINT_SD = 0.05, 0.1
"""By how much lower front crowns are shorter inside than outside, beyond ``height_shares``, as a
share of the average, and its standard deviation: they lean to the lips by some 15 degrees (Downs
1948, lower incisor to occlusal plane, from memory), in each mouth by another angle. Inside, the
floor of the mouth and the cingula mislead, so the length is told by all these teeth together; on
upper teeth, whose cingula all bulge alike, that helps nothing."""
FIRST_SPREAD_MM = 1.5
SECOND_SPREAD_MM = 1.0
PRIMARY_SPREAD_MM = 0.6
"""Primary crowns are not two thirds as long as permanent ones, and differ by so much less."""
SAME_TOOTH, LONGER_MOST_MM = 0.5, 2.0
"""A crown that is longer than expected on one side is so on the other by this share."""
SAME_LOWER_FRONT = 1.0
"""By the whole inside of lower front teeth, where hardly anything else tells one from the other."""
FINE_REACH_ROWS = 2
BESIDE_ROWS = 3
"""So far below what hides a crown neither creases nor steps are seen."""
REFINE_MM = 0.9
ROUNDING_MM = 0.2
"""A scan rounds the crease off: its deepest line lies this much above the tissue's edge."""
TEMPERATURE = 1.3
"""Neighbouring columns see the same bumps, so costs overstate the odds a little."""
FAINT_TEMPERATURE, FAINT_SHARE = 2.2, 0.5
"""Inside of front teeth the cingulum runs smoothly into gum and the signs mislead more often:
there the odds are taken for weaker, and the margin told lies half way between the likeliest
path and the middle of all."""
DOUBT_MM = 0.5
"""What may be more than this on either side of the limit is doubtful."""
DOUBT_TEMPERATURE = 0.7
"""Told ranges are wider than they need be: they hold 19 true values of 20. With sharper odds
fewer places are doubtful, and hardly more of the short ones pass unnoticed."""
BESIDE_COLUMNS = 2
"""Where less than the limit was captured within half a millimetre of it, a place is doubtful:
a tooth's middle is not known better than that."""
SUNK_MM = (1.0, 0.5)
"""A front, or back, tooth whose tips stand lower than this under the occlusal plane has not come
through: its gum stays behind, and its crown shows by so much less."""
SHOWN_LEAST_MM = 2.5
NARROW = 0.72
"""A crown with less than this share of the usual width is another tooth than it was taken for: a
primary one, or one half hidden. It may be as much shorter as it is narrower."""
READING_SD_MM = 0.35
"""Spread of margin and border readings when the right crease was followed."""


@dataclass(frozen=True, slots=True)
class SideReading:
    """Margin and tissue of one side of one tooth, in rolled-out coordinates."""

    margin_z: float
    margin_seen: bool
    captured: float
    low: float
    high: float
    p_short: float
    doubtful: bool
    border_z: float
    goes_on: bool
    columns: NDArray[np.int64]
    line_z: Array


@dataclass(frozen=True, slots=True)
class Seen:
    """What a side shows: crease and step (n, m), border (n,), roundness (m,) of each tooth."""

    crease: Array
    step: Array
    border: Array
    rounds: list[Array]


@dataclass(frozen=True, slots=True)
class Margins:
    """Readings by side for a row of teeth; ``ratio`` is crown length over the average.

    ``attached`` (k,) says of each tooth whether something is bonded to its facial side,
    ``pads`` what a wire is bonded with behind front teeth.
    """

    readings: dict[str, list[SideReading]]
    heights: dict[str, Array]
    ratio: float
    attached: NDArray[np.bool_]
    pads: list[Pad]
    seen: dict[str, Seen]


def read_margins(sheets: Sheets, relief: Relief, start: Array, stop: Array, tip: Array,
                 usual_length: Array, numbers: NDArray[np.int64], short_limit: float) -> Margins:
    """Trace both margins and measure what lies below them.

    Parameters
    ----------
    sheets : Sheets
    relief : Relief
    start, stop, tip, usual_length : (k,) float64
        Ends of the teeth along the arch, height of their tips, average crown length of
        their kind, mm.
    numbers : (k,) int64
        Tentative ISO 3950 numbers.
    short_limit : float
        Captured height that separates short from sufficient, mm.
    """
    columns = sheets.facial.shape[0]
    images = {}
    bonded = bonded_places(sheets.facial, sheets.z, start, stop, tip, usual_length)
    walls = {"facial": np.where(bonded, np.nan, sheets.facial), "lingual": sheets.lingual}
    front = numbers % 10 <= 3
    for side, sign in (("facial", 1.0), ("lingual", -1.0)):
        biting = biting_surface(sign * walls[side], sheets.z, start, stop, tip, ~front)
        walls[side] = np.where(biting, np.nan, walls[side])
    whole = tip + _sunk(tip, front)
    usual = {side: usual_length * height_shares(numbers, side) for side in walls}
    length = {side: value * USUAL_RATIO for side, value in usual.items()}
    walls["facial"], walls["lingual"] = sharper(walls["facial"], walls["lingual"], sheets.z,
                                                start, stop, tip, length["facial"])
    inner = crease_angle(walls["lingual"], -1.0)
    pads = bonded_pads(inner, sheets.z, start, stop, tip, numbers)
    if pads:
        wired = covered(pads, sheets.lingual.shape, start, stop)
        walls["lingual"] = np.where(wired, np.nan, walls["lingual"])
        inner = crease_angle(walls["lingual"], -1.0)
    hidden = {side: np.isnan(walls[side]) & ~np.isnan(getattr(sheets, side)) for side in walls}
    creases = {"facial": crease_angle(walls["facial"], 1.0), "lingual": inner}
    for side, sheet, sign in (("facial", sheets.facial, 1.0), ("lingual", sheets.lingual, -1.0)):
        images[side] = (sheet, creases[side], edge_step(walls[side], sign),
                        lowest_scanned(sheet, sheets.z), sign)
    sheet, crease, step, border, sign = images["lingual"]
    step = without_bulges(crease, step, start[front], stop[front])
    images["lingual"] = (sheet, crease, step, border, sign)
    for side, part in hidden.items():
        _smooth_crown(part, images[side][1:3])
    plain = plainness(images["facial"][2], sheets.z, start, stop, tip, length["facial"])
    spread = np.full(len(start), FIRST_SPREAD_MM)
    ratio = USUAL_RATIO
    paths: dict[str, Path] = {}
    hopes: dict[str, Expectation] = {}
    rounds = {side: [roundness(walls[side] * sign, a, b)
                     for a, b in zip(start, stop, strict=True)]
              for side, (_, _, _, _, sign) in images.items()}
    for second in (False, True):
        found: dict[str, Array] = {}
        for side, (_, crease, step, border, _) in images.items():
            shown = shown_length(length[side], tip, front)
            hopes[side] = expect(columns, start, stop, tip, shown, spread, front,
                                 np.where(front, *PLAIN_WALL[side]))
            signs = ends_of_crowns(rounds[side], sheets.z, start, stop, tip, shown,
                                   np.where(front, *ROUND_WEIGHT[side]), hopes[side].middle)
            if side == "facial":
                signs += sharp_creases(crease, step, start, stop, front, hopes[side].middle, plain)
            signs += plain * high_steps(step, sheets.z, start, stop, front,
                                        hopes[side].middle, side)
            paths[side] = trace_margin(crease, step, signs, sheets.z, border, hopes[side], plain)
            found[side] = _clear_ratios(paths[side], start, stop, whole, usual[side])
        # Inside of front teeth a cingulum ends as clearly as a crown: that line follows, and does
        # not lead.
        found["lingual"][front] = np.nan
        if not second:
            ratio = usual_ratio(np.concatenate(list(found.values())), USUAL_RATIO, TRUST_MOUTH)
            for side, value in found.items():
                for part in (front, ~front):
                    own = usual_ratio(value[part], ratio, TRUST_PART)
                    length[side][part] = usual[side][part] * own
            lower = front & np.isin(numbers // 10, LOWER)
            follows = np.where(lower, SAME_LOWER_FRONT, SAME_TOOTH)
            if lower.any():
                _, crease, step, border, _ = images["lingual"]
                outside = float((length["facial"] / usual["facial"])[lower].mean())
                length["lingual"][lower] = usual["lingual"][lower] * shared_ratio(
                    crease, step, border, sheets.z,
                    [own for own, there in zip(rounds["lingual"], lower, strict=True) if there],
                    start[lower], stop[lower], whole[lower], usual["lingual"][lower],
                    smooth=PLAIN_WALL["lingual"][0], round_weight=ROUND_WEIGHT["lingual"][0],
                    before=outside - FAINT_SHORTER, before_sd=FAINT_SD)
            longer = {side: _longer(found[side] * usual[side], length[side]) for side in images}
            length["facial"] += SAME_TOOTH * longer["lingual"]
            length["lingual"] += follows * longer["facial"]
            spread = usual_spread(numbers)
    middles = {side: hope.middle for side, hope in hopes.items()}
    for side, teeth in one_sided(paths, middles, start, stop).items():
        if len(teeth):
            _, crease, step, border, _ = images[side]
            shown = shown_length(length[side], tip, front)
            signs = ends_of_crowns(rounds[side], sheets.z, start, stop, tip, shown,
                                   np.where(front, *ROUND_WEIGHT[side]), middles[side])
            crease, step = (without_line(paths[side], image, sheets.z) for image in (crease, step))
            below = trace_margin(crease, step, signs, sheets.z, border, hopes[side], plain)
            paths[side] = either(paths[side], below, border, start[teeth], stop[teeth])
    inwards = np.zeros(len(start), dtype=np.int64)
    inwards[0], inwards[-1] = 1, -1
    stands = [stand_of(sheets, float(a), float(b), float(z), int(number), bool(inward))
              for a, b, z, number, inward in zip(start, stop, tip, numbers, inwards, strict=True)]
    readings: dict[str, list[SideReading]] = {}
    heights: dict[str, Array] = {}
    for side, (sheet, _, _, _, sign) in images.items():
        line = _refine(paths[side], walls[side], sign, hopes[side])
        faint = front & (side == "lingual")
        lean = _towards_middle(paths[side], start[faint], stop[faint])
        heights[side] = line + lean
        readings[side] = [
            _read(paths[side], line, lean, sheets, relief, sign, stand, float(a), float(b), sheet,
                  FAINT_TEMPERATURE if vague else TEMPERATURE, int(inward),
                  short_limit, float(highest))
            for a, b, stand, vague, inward, highest in zip(
                start, stop, stands, faint, inwards,
                highest_margin(numbers, stop - start, tip, usual[side]), strict=True)
        ]
    seen = {side: Seen(crease, step, border, rounds[side])
            for side, (_, crease, step, border, _) in images.items()}
    return Margins(readings, heights, ratio, teeth_with(bonded, start, stop), pads, seen)


def _smooth_crown(part: NDArray[np.bool_], images: Iterable[Array]) -> None:
    """Say that there is no margin where something on the crown hides it, nor right below."""
    crown = part.copy()
    for rows in range(1, BESIDE_ROWS + 1):
        crown[:, rows:] |= part[:, :-rows]
    for image in images:
        image[crown & np.isnan(image)] = 0.0


def usual_spread(numbers: NDArray[np.int64]) -> Array:
    """How far crowns of a mouth are off their expected length, (k,) mm."""
    return np.where(numbers > FIRST_PRIMARY, PRIMARY_SPREAD_MM, SECOND_SPREAD_MM)


def _sunk(tip: Array, front: NDArray[np.bool_]) -> Array:
    return np.maximum(-np.where(front, *SUNK_MM) - tip, 0.0)


def shown_length(length: Array, tip: Array, front: NDArray[np.bool_]) -> Array:
    """How much of crowns of a length shows where their tips stand at a height, (k,) mm."""
    return np.maximum(length - _sunk(tip, front), SHOWN_LEAST_MM)


def highest_margin(numbers: NDArray[np.int64], width: Array, tip: Array, length: Array) -> Array:
    """Height up to which the margins of teeth too narrow for their numbers may lie, (k,) mm.

    Parameters
    ----------
    numbers : (k,) int64
        ISO 3950, of one arch.
    width, tip, length : (k,) float64
        Mesiodistal, height of the tips, and average crown length of such a tooth, mm.

    Returns
    -------
    (k,) float64
        Minus infinity for teeth that are as wide as may be.
    """
    arch = arch_of(int(numbers[0]))
    widths = dict(zip(row_numbers(arch).tolist(), row_sizes(arch)[:, 1].tolist(), strict=True))
    share = width / np.array([widths[number] for number in numbers.tolist()])
    return np.where(share < NARROW, tip - share * length + SECOND_SPREAD_MM, -np.inf)


def usual_ratio(found: Array, before: float, trust: float) -> float:
    """Crown length against the average, from the clear margins, NaN elsewhere."""
    clear = found[~np.isnan(found)]
    if not len(clear):
        return before
    share = len(clear) / (len(clear) + trust)
    return float(np.clip(before + share * (float(np.median(clear)) - before), 0.6, 1.3))


def _longer(found: Array, expected: Array) -> Array:
    """How much longer each crown is than expected, mm; 0 where its margin is not clear."""
    return np.clip(np.nan_to_num(found - expected), -LONGER_MOST_MM, LONGER_MOST_MM)


def _clear_ratios(path: Path, start: Array, stop: Array, tip: Array, usual: Array) -> Array:
    out = np.full(len(start), np.nan)
    for k in range(len(start)):
        m = middle_column(start[k], stop[k])
        if is_seen(path, m):
            out[k] = (tip[k] - path.height[m]) / usual[k]
    return out


def _refine(path: Path, sheet: Array, sign: float, hope: Expectation) -> Array:
    """Move the path to the sharpest turn of the profile close by."""
    value, _ = smoothed(sheet, 0.5, 0.25)
    turn = turn_within(value * sign, FINE_REACH_ROWS)
    n, m = turn.shape[0], turn.shape[1]
    base = np.round((path.z[0] - path.height) / STEP_Z_MM).astype(int)
    half = round(REFINE_MM / STEP_Z_MM)
    shifts = np.arange(-half, half + 1)
    rows = np.clip(base[:, None] + shifts[None, :], 0, m - 1)
    score = turn[np.arange(n)[:, None], rows] - 0.06 * (shifts * STEP_Z_MM / 0.5)[None, :] ** 2
    inside = (base[:, None] + shifts[None, :] >= 0) & (base[:, None] + shifts[None, :] < m)
    score = np.where(inside & ~np.isnan(score), score, -9.0)
    best = np.argmax(score, axis=1)
    top = score[np.arange(n), best]
    edge = np.clip(best, 1, len(shifts) - 2)
    a, b, c = (score[np.arange(n), edge + q] for q in (-1, 0, 1))
    bend = a - 2 * b + c
    whole = (bend < -1e-6) & (a > -5.0) & (c > -5.0)
    peak = np.where(whole, 0.5 * (a - c) / np.minimum(bend, -1e-6), 0.0)
    shift = (shifts[edge] + np.clip(peak, -0.5, 0.5)) * STEP_Z_MM
    # Without a turn worth the name the path stays where it is.
    moved = np.where(top > 0.05, shift + ROUNDING_MM, 0.0)
    line = path.height - _running_median(moved, 7)
    return np.where(np.isnan(hope.middle), path.height, line)


def _odds(cost: Array, temperature: float) -> Array:
    """How likely each row of a column, or of several, is the margin; (..., m), sums to 1."""
    odds = np.exp(-(cost - cost.min(axis=-1, keepdims=True)) / temperature)
    return np.asarray(odds / odds.sum(axis=-1, keepdims=True))


def _likely(below: Array, odds: Array) -> tuple[float, float]:
    """Between what four times of five the captured tissue lies, mm; ``below`` falls."""
    total = np.cumsum(odds)
    low, high = (
        float(below[min(int(np.searchsorted(total, share)), len(below) - 1)])
        for share in (0.9, 0.1)
    )
    return max(low, 0.0), max(high, 0.0)


def _towards_middle(path: Path, start: Array, stop: Array) -> Array:
    """By how much the margin told of teeth with faint signs lies over the path, (n,) mm."""
    out = np.zeros(len(path.height))
    at = np.arange(len(out)) * STEP_S_MM
    for a, b in zip(start, stop, strict=True):
        own = np.flatnonzero((at >= a) & (at <= b))
        below = np.cumsum(_odds(path.cost[own], FAINT_TEMPERATURE), axis=1)
        out[own] = FAINT_SHARE * (path.z[(below >= 0.5).argmax(axis=1)] - path.height[own])
    return out


def _running_median(values: Array, width: int) -> Array:
    half = width // 2
    padded = np.pad(values, half, mode="edge")
    stack = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.median(stack, axis=1))


def _read(path: Path, line: Array, lean: Array, sheets: Sheets, relief: Relief, sign: float,
          stand: Stand, start: float, stop: float, sheet: Array, temperature: float,
          inward: int, short_limit: float, highest: float) -> SideReading:
    m = _seen_column(sheet, start, stop, inward)
    if m == middle_column(start, stop):
        m = _turned_column(sheet, sheets.z, stand, m, float(line[m] + lean[m]), stop - start)
    else:
        stand = Stand(m * STEP_S_MM, stand.across, stand.turn)
    near = slice(max(m - 2, 0), m + 3)
    refined = float(np.median(line[near]))
    margin_z = float(np.median((line + lean)[near]))
    border_z, goes_on = border_height(sheet, sheets, relief, sign, m, stand, margin_z)
    captured = max(0.0, margin_z - border_z)
    below = path.z + refined - float(path.height[m]) - border_z
    odds = _odds(path.cost[m], TEMPERATURE)
    p_short = float((odds * ndtr((short_limit - below) / READING_SD_MM)).sum())
    low, high = _likely(below, _odds(path.cost[m], DOUBT_TEMPERATURE))
    doubtful = low < short_limit - DOUBT_MM and high > short_limit + DOUBT_MM
    low, high = _likely(below, _odds(path.cost[m], temperature))
    if p_short >= SHORT_ODDS and captured >= short_limit and not goes_on:
        # What counts as short is not told as measured and enough.
        doubtful, low = True, min(low, _likely(below, odds)[0])
    if captured > short_limit + DOUBT_MM and not goes_on:
        beside = []
        for k in (m - BESIDE_COLUMNS, m + BESIDE_COLUMNS):
            if 0 <= k < len(line):
                by = Stand(stand.along + (k - m) * STEP_S_MM, stand.across, stand.turn)
                z = float(line[k] + lean[k])
                beside.append(z - border_height(sheet, sheets, relief, sign, k, by, z)[0])
        least = max(min(beside, default=captured), 0.0)
        if least < short_limit - DOUBT_MM:
            doubtful, low = True, min(low, least)
    seen = is_seen(path, m) and margin_z > border_z
    if not seen and captured < short_limit < highest - border_z:
        # Nothing but the length of another tooth says that so little was captured.
        doubtful, high = True, max(high, highest - border_z)
    columns = np.arange(int(np.ceil(start / STEP_S_MM)), int(np.floor(stop / STEP_S_MM)) + 1)
    columns = columns[(columns >= 0) & (columns < len(line))]
    return SideReading(
        margin_z, seen, captured,
        low, high, p_short, doubtful, border_z, goes_on, columns,
        line[columns] + lean[columns],
    )


def _turned_column(sheet: Array, z: Array, stand: Stand, m: int, margin_z: float,
                   width: float) -> int:
    """Column in which the section through a turned tooth's middle meets its wall."""
    row = min(max(round((z[0] - margin_z) / STEP_Z_MM), 0), sheet.shape[1] - 1)
    wall = float(sheet[m, row])
    if np.isnan(wall):
        return m
    shift = np.clip(-stand.turn * (wall - stand.across), -0.25 * width, 0.25 * width)
    return int(np.clip(round((stand.along + float(shift)) / STEP_S_MM), 0, len(sheet) - 1))


def _seen_column(sheet: Array, start: float, stop: float, inward: int) -> int:
    """The tooth's middle, or where the scan ends before it, the nearest column that was scanned.

    Only columns seen well down the wall count: a sliver at the scan's end tells nothing. The scan
    ends at the row's first and last tooth only, and what it shows of those lies ``inward`` (+1 or
    -1, 0 for the teeth between): where a wall is missing elsewhere, or where it is seen on both
    sides of the middle, it was not captured.
    """
    m = middle_column(start, stop)
    first, last = max(int(np.ceil(start / STEP_S_MM)), 0), int(np.floor(stop / STEP_S_MM))
    seen = (~np.isnan(sheet[first : last + 1])).sum(axis=1)
    if not len(seen) or m >= len(sheet) or (~np.isnan(sheet[m])).sum() >= 0.3 * seen.max():
        return m
    there = first + np.flatnonzero(seen >= 0.7 * seen.max())
    outer = first + np.flatnonzero(seen >= 0.4 * seen.max())
    there = there[(inward * (there - m) > 0) & (inward * (outer - m) > 0).all()]
    return int(there[np.abs(there - m).argmin()]) if len(there) else m

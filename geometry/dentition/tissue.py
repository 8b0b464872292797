"""How much tissue was captured beyond the margin at each tooth, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import ndtr

from geometry.dentition.archline import STEP_MM, ArchLine
from geometry.dentition.crowns import height_shares
from geometry.dentition.margin import (
    Expectation,
    Path,
    crease_angle,
    edge_step,
    expect,
    trace_margin,
)
from geometry.dentition.sheets import STEP_S_MM, STEP_Z_MM, Sheets, smoothed

Array = NDArray[np.float64]

USUAL_RATIO = 0.93
RATIO_SD = 0.11
TRUST_MOUTH, TRUST_PART = 3.0, 4.0
"""So many clear margins weigh as much as the average, for the mouth and for front or back."""
PLAIN_WALL = {"facial": (2.0, 1.0), "lingual": (0.2, 0.65)}
"""How plain the walls of front and back teeth are, so that of two steps the upper one is the
margin: lips' sides are smooth, a cingulum bulges, and lower molars lean over their necks."""
FIRST_SPREAD_MM = 1.5
SECOND_SPREAD_MM = 1.0
SAME_TOOTH, LONGER_MOST_MM = 0.5, 2.0
"""A crown that is longer than expected on one side is so on the other by this share."""
SEEN_RAD, SEEN_MM = 0.16, 0.04
"""A crease, or a step, that is worth the name."""
FINE_REACH_ROWS = 2
REFINE_MM = 0.9
ROUNDING_MM = 0.2
"""A scan rounds the crease off: its deepest line lies this much above the tissue's edge."""
BORDER_HALF_MM = 0.8
BORDER_REACH_MM = 12.0
INSIDE_MM = 3.0
NEAREST_MM = 2.0
STEEP_MM, END_HALF_MM, BROKEN_MM = 3.0, 4.0, 1.5
WALL_SHARE = 0.75
"""A border higher up the crown than this is none of its walls'."""
PALATE_REACH_MM = 11.25
"""Where no border is near, as on a palate, the lowest place within this reach ends the tissue."""
ACROSS_MM, BELOW_MM = 1.5, 1.0
"""A hole across the margin begins at most this far above it and goes on this far below."""
FACING = 0.25
SECTION_TURNS = (-0.2, 0.0, 0.2)
TEMPERATURE = 1.3
"""Neighbouring columns see the same bumps, so costs overstate the odds a little."""
READING_SD_MM = 0.35
"""Spread of margin and border readings when the right crease was followed."""


@dataclass(frozen=True, slots=True)
class Relief:
    """The scan and its outer border in (right, anterior, occlusal) axes.

    Attributes
    ----------
    points : (n, 3) float64
    normals : (n, 2) float64
        Horizontal part of the outward unit normals.
    edge : (k, 3) float64
        Vertices of the outer border.
    edge_normal : (k, 2) float64
        Horizontal part of the surface's unit normal there.
    hole, hole_normal : (h, 3) and (h, 2) float64
        The same for the borders of the larger holes.
    line : ArchLine
    """

    points: Array
    normals: Array
    edge: Array
    edge_normal: Array
    hole: Array
    hole_normal: Array
    line: ArchLine


@dataclass(frozen=True, slots=True)
class SideReading:
    """Margin and tissue of one side of one tooth, in rolled-out coordinates."""

    margin_z: float
    margin_seen: bool
    captured: float
    low: float
    high: float
    p_short: float
    border_z: float
    columns: NDArray[np.int64]
    line_z: Array


@dataclass(frozen=True, slots=True)
class Margins:
    """Readings by side for a row of teeth; ``ratio`` is crown length over the average."""

    readings: dict[str, list[SideReading]]
    heights: dict[str, Array]
    ratio: float


def lowest_scanned(sheet: Array, z: Array) -> Array:
    """Lowest height with surface in each column, NaN where there is none; (n,)."""
    there = ~np.isnan(sheet)
    last = sheet.shape[1] - 1 - np.argmax(there[:, ::-1], axis=1)
    return np.where(there.any(axis=1), z[last], np.nan)


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
    for side, sheet, sign in (("facial", sheets.facial, 1.0), ("lingual", sheets.lingual, -1.0)):
        images[side] = (sheet, crease_angle(sheet, sign), edge_step(sheet, sign),
                        lowest_scanned(sheet, sheets.z), sign)
    front = numbers % 10 <= 3
    usual = {side: usual_length * height_shares(numbers, side) for side in images}
    length = {side: value * USUAL_RATIO for side, value in usual.items()}
    spread = np.full(len(start), FIRST_SPREAD_MM)
    ratio = USUAL_RATIO
    paths: dict[str, Path] = {}
    hopes: dict[str, Expectation] = {}
    for second in (False, True):
        found: dict[str, Array] = {}
        for side, (_, crease, step, border, _) in images.items():
            hopes[side] = expect(columns, start, stop, tip, length[side], spread, front,
                                 np.where(front, *PLAIN_WALL[side]))
            paths[side] = trace_margin(crease, step, sheets.z, border, hopes[side])
            found[side] = _clear_ratios(paths[side], start, stop, tip, usual[side])
        if not second:
            ratio = _usual_ratio(np.concatenate(list(found.values())), USUAL_RATIO, TRUST_MOUTH)
            for side, value in found.items():
                for part in (front, ~front):
                    own = _usual_ratio(value[part], ratio, TRUST_PART)
                    length[side][part] = usual[side][part] * own
            longer = {side: _longer(found[side] * usual[side], length[side]) for side in images}
            # The lingual margin of front teeth is the least clear: it follows, and does not lead.
            length["facial"] += SAME_TOOTH * np.where(front, 0.0, longer["lingual"])
            length["lingual"] += SAME_TOOTH * longer["facial"]
            spread = np.full(len(start), SECOND_SPREAD_MM)
    readings: dict[str, list[SideReading]] = {}
    heights: dict[str, Array] = {}
    for side, (sheet, _, _, _, sign) in images.items():
        line = _refine(paths[side], sheet, sign, hopes[side])
        heights[side] = line
        readings[side] = [
            _read(paths[side], line, sheets, relief, sign, float(a), float(b), sheet,
                  short_limit)
            for a, b in zip(start, stop, strict=True)
        ]
    return Margins(readings, heights, ratio)


def _usual_ratio(found: Array, before: float, trust: float) -> float:
    """Crown length against the average, from the clear margins, NaN elsewhere."""
    clear = found[~np.isnan(found)]
    if not len(clear):
        return before
    share = len(clear) / (len(clear) + trust)
    return float(np.clip(before + share * (float(np.median(clear)) - before), 0.6, 1.3))


def _longer(found: Array, expected: Array) -> Array:
    """How much longer each crown is than expected, mm; 0 where its margin is not clear."""
    return np.clip(np.nan_to_num(found - expected), -LONGER_MOST_MM, LONGER_MOST_MM)


def _middle(start: float, stop: float) -> int:
    return round(0.5 * (start + stop) / STEP_S_MM)


def _clear_ratios(path: Path, start: Array, stop: Array, tip: Array, usual: Array) -> Array:
    out = np.full(len(start), np.nan)
    for k in range(len(start)):
        m = _middle(start[k], stop[k])
        if _is_seen(path, m):
            out[k] = (tip[k] - path.height[m]) / usual[k]
    return out


def _is_seen(path: Path, m: int) -> bool:
    """Whether a crease or a step worth the name is at the path near column ``m``."""
    j = round((path.z[0] - path.height[m]) / STEP_Z_MM)
    for signs, least in ((path.crease, SEEN_RAD), (path.step, SEEN_MM)):
        window = signs[max(m - 4, 0) : m + 5, max(j - 3, 0) : j + 4]
        if window.size and np.isfinite(window).mean() >= 0.5:
            rows = np.where(np.isfinite(window), window, 0.0).mean(axis=0)
            if rows.max() > least:
                return True
    return False


def _refine(path: Path, sheet: Array, sign: float, hope: Expectation) -> Array:
    """Move the path to the sharpest turn of the profile close by."""
    value, _ = smoothed(sheet, 0.5, 0.25)
    value = value * sign
    d = FINE_REACH_ROWS
    reach = d * STEP_Z_MM
    turn: Array = np.full((len(value), len(value[0])), np.nan)
    turn[:, d:-d] = np.arctan((value[:, : -2 * d] - value[:, d:-d]) / reach) + np.arctan(
        (value[:, 2 * d :] - value[:, d:-d]) / reach
    )
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


def _running_median(values: Array, width: int) -> Array:
    half = width // 2
    padded = np.pad(values, half, mode="edge")
    stack = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.median(stack, axis=1))


def _read(path: Path, line: Array, sheets: Sheets, relief: Relief, sign: float,
          start: float, stop: float, sheet: Array, short_limit: float) -> SideReading:
    m = _seen_column(sheet, start, stop)
    near = slice(max(m - 2, 0), m + 3)
    margin_z = float(np.median(line[near]))
    border_z = _border_height(sheet, sheets, relief, sign, m, margin_z)
    captured = max(0.0, margin_z - border_z)
    cost = path.cost[m]
    odds = np.exp(-(cost - cost.min()) / TEMPERATURE)
    odds /= odds.sum()
    shift = margin_z - float(path.height[m])
    below = path.z + shift - border_z
    total = np.cumsum(odds)
    low = float(below[min(int(np.searchsorted(total, 0.9)), len(below) - 1)])
    high = float(below[min(int(np.searchsorted(total, 0.1)), len(below) - 1)])
    p_short = float((odds * ndtr((short_limit - below) / READING_SD_MM)).sum())
    columns = np.arange(int(np.ceil(start / STEP_S_MM)), int(np.floor(stop / STEP_S_MM)) + 1)
    columns = columns[(columns >= 0) & (columns < len(line))]
    return SideReading(
        margin_z, _is_seen(path, m) and margin_z > border_z, captured,
        max(low, 0.0), max(high, 0.0), p_short, border_z, columns, line[columns],
    )


def _seen_column(sheet: Array, start: float, stop: float) -> int:
    """The tooth's middle, or where the scan ends before it, the nearest column that was scanned.

    Only columns seen well down the wall count: a sliver at the scan's end tells nothing.
    """
    m = _middle(start, stop)
    first, last = max(int(np.ceil(start / STEP_S_MM)), 0), int(np.floor(stop / STEP_S_MM))
    seen = (~np.isnan(sheet[first : last + 1])).sum(axis=1)
    if not len(seen) or m >= len(sheet) or (~np.isnan(sheet[m])).sum() >= 0.3 * seen.max():
        return m
    there = first + np.flatnonzero(seen >= 0.7 * seen.max())
    return int(there[np.abs(there - m).argmin()])


def _border_height(sheet: Array, sheets: Sheets, relief: Relief, sign: float, m: int,
                   margin_z: float) -> float:
    """Height of the scan's border in the section through a tooth's middle.

    Where the section meets no border within reach (a scanned palate), the height of the
    most apical surface in it.
    """
    line = relief.line
    k = min(max(round(m * STEP_S_MM / STEP_MM), 0), len(line.s) - 1)
    foot, straight = line.points[k], line.outward[k] * sign
    row = min(max(round((sheets.z[0] - margin_z) / STEP_Z_MM), 0), len(sheets.z) - 1)
    known = np.flatnonzero(~np.isnan(sheet[m]))
    at = float(sheet[m, known[np.argmin(np.abs(known - row))]]) * sign if len(known) else 2.0
    top = float(sheets.z[known[0]]) if len(known) else margin_z
    heights, ends = [], []
    # The middle of three directions, since which way a tooth faces is only roughly known.
    for turn in SECTION_TURNS:
        c, s = np.cos(turn), np.sin(turn)
        out = np.array([c * straight[0] - s * straight[1], s * straight[0] + c * straight[1]])
        rim = _border_in_section(relief.hole, relief.hole_normal, foot, out, at,
                                 BORDER_HALF_MM)
        rim = rim[rim[:, 0] < rim[:, 0].min(initial=np.inf) + NEAREST_MM, 1]
        if len(rim) >= 2 and rim.max() < margin_z + ACROSS_MM:
            # A hole in the gum ends what was captured, one across the margin leaves nothing;
            # one in the crown does not matter.
            deep = _lowest(relief.hole, relief.hole_normal, foot, out, at - INSIDE_MM,
                           at + 2.0 * BORDER_REACH_MM, BORDER_HALF_MM)
            if min(deep, rim.max()) < margin_z - BELOW_MM:
                heights.append(min(float(rim.max()), margin_z))
                continue
        border = _border_in_section(relief.edge, relief.edge_normal, foot, out, at,
                                    BORDER_HALF_MM)
        if len(border) >= 2:
            piece = _nearest_piece(border)
            if np.ptp(piece[:, 1]) < STEEP_MM:
                near = border[:, 0] < border[:, 0].min() + NEAREST_MM
                here = float(np.median(border[near, 1]))
                # Across the biting surface runs the scan's end, seen askew.
                if here < margin_z + WALL_SHARE * (top - margin_z):
                    heights.append(here)
                continue
            # The scan's end behind a tooth runs down the whole wall: its foot tells how far
            # the scan reaches, while a border beside the tooth crosses the section.
            wide = _border_in_section(relief.edge, relief.edge_normal, foot, out, at, END_HALF_MM)
            ends.append(float(np.percentile(_nearest_piece(wide)[:, 1], 10)))
            continue
        low = _lowest(relief.points, relief.normals, foot, out, at - INSIDE_MM,
                      at + PALATE_REACH_MM, 0.5 * BORDER_HALF_MM)
        heights.append(float(low) if low < 50.0 else margin_z)
    if not heights and not ends:
        return float(sheets.z[known[-1]]) if len(known) else margin_z
    return float(np.median(heights or ends))


@njit(cache=True, nogil=True)
def _border_in_section(edge, normals, foot, out, at, half):  # type: ignore[no-untyped-def]
    """Reaches from the wall and heights of the border's vertices in a vertical section, (k, 2).

    Where the scan dips towards a tooth and goes on behind, as on a palate, the section
    meets more than one border; the nearest ends what was captured at the tooth.
    """
    found = np.empty((edge.shape[0], 2), dtype=np.float64)
    count = 0
    for i in range(edge.shape[0]):
        dx, dy = edge[i, 0] - foot[0], edge[i, 1] - foot[1]
        if abs(dx * out[1] - dy * out[0]) >= half:
            continue
        reach = dx * out[0] + dy * out[1] - at
        if not -INSIDE_MM < reach < BORDER_REACH_MM:
            continue
        if normals[i, 0] * out[0] + normals[i, 1] * out[1] > -FACING:
            found[count, 0] = reach
            found[count, 1] = edge[i, 2]
            count += 1
    return found[:count]


def _nearest_piece(border: Array) -> Array:
    """The part of a border in a section that hangs together with its nearest place, (k, 2)."""
    apart = np.linalg.norm(border[:, None] - border[None], axis=2)
    joined = np.zeros(len(border), dtype=np.bool_)
    joined[border[:, 0].argmin()] = True
    while True:
        more = (apart[joined] < BROKEN_MM).any(axis=0)
        if more.sum() == joined.sum():
            break
        joined = more
    return border[joined]


@njit(cache=True, nogil=True)
def _lowest(points, normals, foot, out, first, last, half):  # type: ignore[no-untyped-def]
    """Lowest point in a narrow vertical section; 99 when it is empty."""
    low = 99.0
    for i in range(points.shape[0]):
        dx, dy = points[i, 0] - foot[0], points[i, 1] - foot[1]
        if abs(dx * out[1] - dy * out[0]) > half:
            continue
        reach = dx * out[0] + dy * out[1]
        if not first < reach < last or points[i, 2] >= low:
            continue
        if normals[i, 0] * out[0] + normals[i, 1] * out[1] > -FACING:
            low = points[i, 2]
    return low

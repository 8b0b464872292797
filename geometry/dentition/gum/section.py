"""The section through a tooth's middle, and where the scan ends in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.dentition.row.archline import STEP_MM, ArchLine, place
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, Sheets, lowest_scanned

Array = NDArray[np.float64]

BORDER_HALF_MM = 0.8
BORDER_REACH_MM = 12.0
INSIDE_MM = 3.0
NEAREST_MM = 2.0
STEEP_MM, END_HALF_MM, BROKEN_MM = 3.0, 4.0, 1.5
BESIDE_COLUMNS = 2
WALL_SHARE = 0.75
"""A border higher up the crown than this is none of its walls'."""
PALATE_REACH_MM = 11.25
"""Where no border is near, as on a palate, the lowest place within this reach ends the tissue."""
ACROSS_MM, BELOW_MM = 1.5, 1.0
"""A hole across the margin begins at most this far above it, unless no surface was seen at the
margin, and goes on this far below."""
FACING = 0.25
SECTION_TURNS = (-0.2, 0.0, 0.2)
"""Which way a tooth faces is only roughly known."""
EDGE_ROWS_MM, BODY_ROWS_MM = (0.5, 1.5), (2.0, 4.0)
"""Rows under the tip whose middle tells which way front teeth, and molars, are turned."""
TURN_SHARE, TURN_MOST, TURN_MOST_LAST = 0.3, 0.6, 0.15
"""The first takes a middle part of the tooth's width; of the last molar, whose far side is seldom
scanned whole, no more than the third is believed."""


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
class Stand:
    """How a tooth stands on the arch line.

    Attributes
    ----------
    along, across : float
        Arc length of its middle, and outward distance of its crown's, mm.
    turn : float
        Slope of the crown's middle line against the arch line.
    """

    along: float
    across: float
    turn: float


def stand_of(
    sheets: Sheets, start: float, stop: float, tip: float, number: int, last: bool = False
) -> Stand:
    """Place and turn of a tooth, told from its edge or, on molars, from the crown's middle.

    Premolars are too round to tell: they are taken to face as the arch does. ``last``: the row ends
    with it.
    """
    rows = EDGE_ROWS_MM if number % 10 <= 3 else BODY_ROWS_MM
    at = np.arange(len(sheets.top)) * STEP_S_MM
    some = np.flatnonzero(np.abs(at - 0.5 * (start + stop)) < TURN_SHARE * (stop - start))
    deep = (sheets.z < tip - rows[0]) & (sheets.z > tip - rows[1])
    middle = 0.5 * (sheets.facial[some][:, deep] + sheets.lingual[some][:, deep])
    known = ~np.isnan(middle)
    count = known.sum(axis=1)
    seen = count > 0
    along = 0.5 * (start + stop)
    if seen.sum() < 4:
        return Stand(along, 0.0, 0.0)
    mean = np.where(known, middle, 0.0).sum(axis=1)[seen] / count[seen]
    slope, across = np.polyfit(at[some][seen] - along, mean, 1)
    turned = number % 10 not in (4, 5)
    most = TURN_MOST_LAST if last and number % 10 >= 6 else TURN_MOST
    return Stand(along, float(across), float(np.clip(slope, -most, most)) * turned)


def border_height(
    sheet: Array, sheets: Sheets, relief: Relief, sign: float, m: int, stand: Stand, margin_z: float
) -> tuple[float, bool]:
    """Height of the scan's border in the section through a tooth's middle.

    Where the section meets no border within reach (a scanned palate), the height of the
    most apical surface in it, and True: the tissue goes on.
    """
    line = relief.line
    k = min(max(round(stand.along / STEP_MM), 0), len(line.s) - 1)
    foot = place(line, stand.along, stand.across)
    before, after = line.points[max(k - 1, 0)], line.points[min(k + 1, len(line.s) - 1)]
    onward = (after - before) / np.linalg.norm(after - before)
    straight = sign * (line.outward[k] - stand.turn * onward) / np.hypot(1.0, stand.turn)
    row = min(max(round((sheets.z[0] - margin_z) / STEP_Z_MM), 0), len(sheets.z) - 1)
    known = np.flatnonzero(~np.isnan(sheet[m]))
    at = 2.0
    if len(known):
        at = sign * (float(sheet[m, known[np.argmin(np.abs(known - row))]]) - stand.across)
    top = float(sheets.z[known[0]]) if len(known) else margin_z
    bare = bool(np.isnan(sheet[m][np.abs(sheets.z - margin_z) < BELOW_MM]).all())
    heights, ends, onwards = [], [], 0
    # The middle of three directions, since which way a tooth faces is only roughly known.
    for turn in SECTION_TURNS:
        c, s = np.cos(turn), np.sin(turn)
        out = np.array([c * straight[0] - s * straight[1], s * straight[0] + c * straight[1]])
        rim = _border_in_section(relief.hole, relief.hole_normal, foot, out, at, BORDER_HALF_MM)
        rim = rim[rim[:, 0] < rim[:, 0].min(initial=np.inf) + NEAREST_MM, 1]
        if len(rim) >= 2 and (bare or rim.max() < margin_z + ACROSS_MM):
            # A hole in the gum ends what was captured, one across the margin leaves nothing;
            # one in the crown does not matter.
            deep = _lowest(
                relief.hole,
                relief.hole_normal,
                foot,
                out,
                at - INSIDE_MM,
                at + 2.0 * BORDER_REACH_MM,
                BORDER_HALF_MM,
            )
            if min(deep, rim.max()) < margin_z - BELOW_MM:
                heights.append(min(float(rim.max()), margin_z))
                continue
        border = _border_in_section(relief.edge, relief.edge_normal, foot, out, at, BORDER_HALF_MM)
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
        low = _lowest(
            relief.points,
            relief.normals,
            foot,
            out,
            at - INSIDE_MM,
            at + PALATE_REACH_MM,
            0.5 * BORDER_HALF_MM,
        )
        heights.append(float(low) if low < 50.0 else margin_z)
        onwards += low < 50.0
    if not heights and not ends:
        return float(sheets.z[known[-1]]) if len(known) else margin_z, False
    height = float(np.median(heights or ends))
    if 2 * len(ends) > len(SECTION_TURNS):
        # The scan ends right beside the tooth's middle: what lies behind is none of its wall's.
        wall = lowest_scanned(sheet[max(m - BESIDE_COLUMNS, 0) : m + BESIDE_COLUMNS + 1], sheets.z)
        seen = wall[~np.isnan(wall)]
        height = max(height, float(np.median(seen)) if len(seen) else margin_z)
    return height, 2 * onwards > len(SECTION_TURNS)


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

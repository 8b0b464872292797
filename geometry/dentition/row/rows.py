"""Where one tooth ends and the next begins, and which teeth they are.

One pass of dynamic programming along the arch chooses the teeth present, their
boundaries and the toothless stretches together, from grooves between crowns, the
height of the surface, and the usual widths by position.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d, maximum_filter1d

from geometry.dentition.row.assign import (
    ALONG,
    BREADTH_SUM,
    CROWN_SUM,
    FRONT,
    GROOVE,
    STAGGER,
    as_other,
    lay_teeth,
    other_numbers,
)
from geometry.dentition.row.crowns import (
    FIRST_PRIMARY,
    arch_of,
    between,
    permanent,
    permanent_row,
    row_numbers,
    row_sizes,
)
from geometry.dentition.row.primary import changed, children, numbered
from geometry.dentition.row.seams import Seams
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, Sheets, smoothed
from geometry.dentition.row.spaces import CELL_MM, HALF_MM
from geometry.dentition.row.usual import (
    BREADTH_MM,
    INCISORS,
    MIXED,
    PERMANENT,
    PRIMARY,
    usual_teeth,
)

Array = NDArray[np.float64]
Explained = tuple[float, tuple[Any, ...], Array, float]

SCALES = (0.84, 0.9, 0.96, 1.02, 1.08, 1.14)
COARSE = 2
GROOVE_HALF_MM = 1.7
GROOVE_FLOOR_MM, GROOVE_FULL_MM = 0.1, 3.0
"""Crowded front teeth have shallow grooves: depth counts by its root, less the noise."""
CROWN_DROP_MM = 3.6
ENVELOPE_MM = 16.0
NECK_SHARE = 0.93
SUNKEN_MM, EDGE_ROOM, EDGE_RISE_MM, EDGE_BREADTH_MM = 1.5, 0.5, 2.3, 2.2
"""In so much room (and this share of its usual width) may stand an incisor or a canine below the
row: an edge that rises this far over its neighbours' necks and is at most so much broader than is
usual. In less a papilla rises as far."""
SUNKEN_SHARE, SUNKEN_MOST, SHAPED_MM2 = 0.65, 1.35, 0.42
"""A premolar or molar below the row fills such shares of its usual width; the further it stands
out of the gum, and the more cusps and fissures it shows, the surer. A ridge is smooth."""
PAD_SHAPE_MM, PAD_ALONG_MM, PAD_UNDER_MM = 0.16, 0.08, 1.0
"""What ends a row without cusps and fissures, or shaped alike all along it, so far under its
neighbour, is gum behind the last tooth: tuberosity or pad. Of four hundred ends only such were both
smooth and low; along the row crowns had 0.17 and more, gum 0.02."""
PAD_CLIMB_MM, CREST_HALF_MM, PARTS = 1.1, 2.0, 5
"""A pad may climb to the height of the crown before it and over it (Nelson, *Wheeler's Dental
Anatomy*, from memory). From the second to the fourth part of their room 23 such rose by 1.4 and
more, with shapes up to 0.12; of 350 crowns none by more than 0.9 or with less than 0.21."""
FRONT_TEETH = 3
EDGE_DEPTH_MM = 1.5
NOTHING_MM, WHOLLY, LEAST_CELLS = -50.0, 0.98, 20
FINE_MM, PLAIN_MM, TABLE_DEPTH_MM, TABLE_HALF_MM, END_SHARE = 0.4, 1.6, 2.0, 4.5, 0.2
"""Cusps and fissures are what is left of a biting surface, its ends apart, smoothed by the one
length when smoothed by the other is taken off."""
GROOVE_SHARE, GROOVE_MOST = 0.4, 3.0
VALLEY_SHARE, VALLEY_FLOOR, VALLEY_FULL, VALLEY_POWER = 2.1, 0.05, 0.6, 0.7
"""Grooves across the row and seams that turn are weighed together."""
MIXED_DOUBT, MIXED_GAIN = 0.2, 1.2
"""A row with primary teeth in it must be so much cheaper to be thought of, and to be believed.
Of three hundred permanent rows none gained more than 0.4, of a hundred and sixty others none
more than 0.1; chosen here."""
MOST_YOUNG, YOUNG_DOUBT, YOUNG_GAIN = 12, 1.0, 8.0
"""Children with primary incisors have ten primary teeth and two first molars at most; such a row
must be so much cheaper to be thought of, and to be believed. Of a hundred and sixty permanent and
mixed rows two gained 5.1 (ten teeth each, of unknown arch), the others nothing; primary ones
gained 13 and more. Chosen here."""
LEAST_PRIMARY, LAST_PREMOLAR = 2, 5
PREMOLARS = {3, 4}
"""A lone primary tooth is but a thought: a crown ground down for a restoration is as narrow."""
POOR_FIT, NARROWER = 1.5, 0.95
"""Cost of a tooth from which the row is hardly explained at all (of two hundred rows one has
more, of which half the numbers are wrong); and the share of its namesake's width that tells the
last tooth of the side which ends sooner from the tooth behind it. Chosen here."""
MUCH_SHORTER, SOME_ABSENT = 2, 2
"""A side that ends so many teeth sooner with a molar may as well have lost one before it; and more
than one tooth not seen, the canine among them, leaves the front without a hold. Chosen here."""
SURE_LEAD = 2.5
"""A number is sure when every other one is dearer by this much: of the rows with a wrong number
most have a tooth below it, of the others few (those with a tooth extracted and its space closed,
where the numbers are a guess)."""


@dataclass(frozen=True, slots=True)
class Row:
    """The teeth found, from the patient's right to the left.

    Attributes
    ----------
    numbers : (k,) int64
        Tentative ISO 3950 numbers, those of primary teeth among them.
    start, stop : (k,) float64
        Arc length of each tooth's two ends, mm.
    cost : float
        Lower is a better explanation; compares the upper with the lower arch.
    scale : float
        Tooth size against the average of the table.
    lead : (k,) float64
        How much dearer the best explanation is that gives the tooth another number.
    shadow : (n, m) float64
        The row from above, see :func:`geometry.dentition.row.spaces.shadow_map`.
    primary : (k,) float64
        Of canines and premolars, log odds that the primary tooth of the place stands there; NaN
        where that is not asked.
    mixed : bool
        Whether primary teeth are believed to stand among permanent ones.
    """

    numbers: NDArray[np.int64]
    start: Array
    stop: Array
    cost: float
    scale: float
    lead: Array
    shadow: Array
    primary: Array
    mixed: bool = False

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Which numbers no other explanation comes near to."""
        either = self.mixed & (np.abs(self.primary) < SURE_LEAD)
        return np.asarray((self.lead >= SURE_LEAD) & ~either)


@dataclass(frozen=True, slots=True)
class Signs:
    """What speaks for boundaries and for crowns, per column of the sheets.

    Attributes
    ----------
    groove : (n,) float64
        Clearness of the groove between crowns there, from its depth over facial, lingual and
        top, and from how little of the crowns a seam meets; 2.5 and more are clear ones.
    crown : (n,) float64
        1 where the surface stands as high as crowns do, 0 where it is gum or nothing.
    breadth : (n,) float64
        Breadth of the crowns a little below edge or cusp, mm.
    stagger : (n,) float64
        How far crowns on one side stand in front of those on the other, mm.
    shadow : (m, w) float64
        The row from above, see :func:`geometry.dentition.row.spaces.shadow_map`.
    """

    groove: Array
    crown: Array
    breadth: Array
    stagger: Array
    shadow: Array


def read_signs(sheets: Sheets, seams: Seams) -> Signs:
    """Measure grooves, heights and breadths along the arch."""
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
    across = np.minimum(np.sqrt(depth * GROOVE_FULL_MM), GROOVE_MOST)
    at, known = np.arange(len(top)) * STEP_S_MM, np.arange(len(seams.valley)) * CELL_MM
    valley = np.clip((np.interp(at, known, seams.valley) - VALLEY_FLOOR) / VALLEY_FULL, 0.0, 1.0)
    groove = GROOVE_SHARE * across + VALLEY_SHARE * valley**VALLEY_POWER
    breadth, stagger = (np.interp(at, known, of) for of in (seams.breadth, seams.stagger))
    return Signs(groove, crown, breadth, stagger, seams.shadow)


def find_row(signs: Signs, arch: str, to_midline: Array) -> Row:
    """Name the teeth of an arch and find their ends.

    Parameters
    ----------
    signs : Signs
    arch : "upper" | "lower"
    to_midline : (n,) float64
        Way along the arch from each column to the midline, mm, positive on the patient's
        right; NaN where the midline is not known.
    """
    step = STEP_S_MM * COARSE
    columns = _columns(signs, to_midline)
    plain, mixed, young = _explained(columns, arch, to_midline)
    gain, kind, best = plain[0] - mixed[0], PERMANENT, plain
    if gain >= MIXED_GAIN:
        kind, best = MIXED, mixed
    younger = min(plain[0], mixed[0]) - young[0] if young else -np.inf
    if young and younger >= YOUNG_GAIN:
        kind, best = PRIMARY, young
    total, (_, labels, starts, stops, before), usual, scale = best
    after = lay_teeth(_mirrored(columns), usual, step)[4]
    middles = (starts + stops) // 2
    lead = other_numbers(columns, usual, step, before, after, labels, middles)
    numbers = permanent_row(arch)[labels]
    if kind == PERMANENT:
        midline = not np.isnan(to_midline).any()
        usual = usual_teeth(arch, scale, MIXED, midline=midline)
    dearer = as_other(columns, usual, step, labels, starts, stops)
    primary = np.full(len(numbers), np.nan)
    if kind == PRIMARY:
        numbers, lead = children(numbers, dearer, lead)
    else:
        asked = changed(numbers)
        primary[asked] = dearer[asked]
    if kind == MIXED:
        numbers = numbered(numbers, primary)
    if kind != PRIMARY and younger >= YOUNG_DOUBT:
        lead[:] = 0.0
    start, stop = _refined(signs.groove, starts * step, stops * step)
    kept = _crowns(signs.shadow, numbers, start, stop)
    numbers, start, stop, lead = numbers[kept], start[kept], stop[kept], lead[kept]
    lead[guessed(numbers, stop - start, gain, total)] = 0.0
    return Row(
        numbers, start, stop, total, scale, lead, signs.shadow, primary[kept], kind == MIXED
    )


def _explained(
    columns: Array, arch: str, to_midline: Array
) -> tuple[Explained, Explained, Explained | None]:
    """The best explanations of a row as a permanent, a mixed, and if it is short a primary one."""
    midline = not np.isnan(to_midline).any()
    step = STEP_S_MM * COARSE
    plain, mixed = (_cheapest(columns, arch, midline, step, kind) for kind in (PERMANENT, MIXED))
    short = min(len(of[1][1]) for of in (plain, mixed)) <= MOST_YOUNG
    return plain, mixed, _cheapest(columns, arch, midline, step, PRIMARY) if short else None


def _crowns(shadow: Array, numbers: NDArray[np.int64], start: Array, stop: Array) -> slice:
    """The teeth of a row without the gum behind its last molars."""
    first, last = 0, len(numbers)
    for end, inwards in ((0, 1), (-1, -1)):
        while last - first > FRONT_TEETH:
            k = first if end == 0 else last - 1
            if numbers[k] % 10 <= LAST_PREMOLAR:
                break
            own, beside = (
                _seen_between(shadow, float(start[q]), float(stop[q])) for q in (k, k + inwards)
            )
            smooth, even = own[2] < PAD_SHAPE_MM, own[3] < PAD_ALONG_MM
            low = own[0] <= beside[0] - PAD_UNDER_MM
            climb = -inwards * _climb(shadow, float(start[k]), float(stop[k]))
            if not ((smooth or even) and low) and not (smooth and climb > PAD_CLIMB_MM):
                break
            first, last = (first + 1, last) if end == 0 else (first, last - 1)
    return slice(first, last)


def guessed(
    numbers: NDArray[np.int64], width: Array, gain: float, cost: float
) -> NDArray[np.bool_]:
    """Which numbers are a guess, whatever the next best explanation costs, (k,) bool.

    Parameters
    ----------
    numbers : (k,) int64
    width : (k,) float64
        Of the teeth, mm.
    gain : float
        How much cheaper the row is with primary teeth in it than without.
    cost : float
        Of the row.
    """
    order = permanent_row(arch_of(int(numbers[0]))).tolist() if len(numbers) else []
    labels = np.array([order.index(permanent(number)) for number in numbers.tolist()])
    # Without a canine on both sides the midline, and with it every number, hangs in the air.
    whole = len(labels) > 0 and labels[0] <= FRONT[0] and labels[-1] >= FRONT[1]
    if not whole or cost > POOR_FIT * len(labels):
        return np.ones(len(labels), dtype=np.bool_)
    place = numbers % 10 - 1
    out = np.zeros(len(labels), dtype=np.bool_)
    if gain >= MIXED_DOUBT and (numbers > FIRST_PRIMARY).sum() < LEAST_PRIMARY:
        # Any of these may be a primary tooth, and then those behind them may be others too.
        out |= place >= INCISORS
    last = 0 if place[0] < place[-1] else len(place) - 1
    twin = np.flatnonzero((place == place[last]) & (numbers // 10 != numbers[last] // 10))
    if place[0] != place[-1] and len(twin):
        # Behind a lost molar whose space has closed stands the next one, which is narrower.
        out[last] |= width[last] < NARROWER * width[twin[0]]
        apart = abs(int(place[0]) - int(place[-1]))
        out[last] |= place[last] >= LAST_PREMOLAR and apart >= MUCH_SHORTER
    for before, after in pairwise(labels.tolist()):
        if after - before > SOME_ABSENT and any(before < canine < after for canine in FRONT):
            # So much is not seen beside the front that it hangs in the air there.
            out |= place < FRONT_TEETH
    lost = np.setdiff1d(np.arange(labels[0], labels[-1] + 1), labels)
    sides = [
        {order[k] % 10 - 1 for k in side.tolist()} & PREMOLARS
        for side in (lost[lost < FRONT[0]], lost[lost > FRONT[1]])
    ]
    if len(sides[0]) == len(sides[1]) == 1 and sides[0] != sides[1]:
        # Premolars are extracted in pairs: one of the two is misnamed more often than not.
        out |= np.isin(place, list(PREMOLARS))
    right, left = set(place[labels < FRONT[0]]), set(place[labels > FRONT[1]])
    if len(right) == len(left) and right != left:
        # As many teeth behind both canines, but others: more often one of them is misnamed.
        out |= place >= FRONT_TEETH
    return out


def _cheapest(columns: Array, arch: str, midline: bool, step: float, kind: str) -> Explained:
    """The best explanation of a row, its cost, what was taken for usual, and its scale."""
    found = None
    for scale in SCALES:
        usual = usual_teeth(arch, scale, kind, midline=midline)
        laid = lay_teeth(columns, usual, step)
        cost = float(laid[0] + 0.5 * ((scale - 1.0) / 0.06) ** 2)
        if found is None or cost < found[0]:
            found = (cost, laid, usual, scale)
    assert found is not None
    return found


def _columns(signs: Signs, to_midline: Array) -> Array:
    """What is known of every column of the search, see :func:`lay_teeth`."""
    groove = np.maximum.reduceat(signs.groove, np.arange(0, len(signs.groove), COARSE))
    crown = np.add.reduceat(signs.crown, np.arange(0, len(signs.crown), COARSE)) / COARSE
    columns = np.zeros((5, len(groove) + 1))
    columns[GROOVE, :-1] = groove
    columns[STAGGER, :-1] = signs.stagger[::COARSE]
    columns[CROWN_SUM, 1:] = np.cumsum(crown)
    columns[BREADTH_SUM, 1:] = np.cumsum(signs.breadth[::COARSE])
    columns[ALONG, :-1] = np.nan_to_num(to_midline[::COARSE])
    return columns


def _mirrored(columns: Array) -> Array:
    """The same row seen from its other end."""
    out = columns[:, ::-1].copy()
    for row in (CROWN_SUM, BREADTH_SUM):
        out[row] = out[row, 0] - out[row]
    out[ALONG] *= -1.0
    return out


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

    Between two neighbours that one tooth is missing from, gum lies at their necks or lower
    and is smooth; a front tooth rises above that with a narrow edge, a back tooth with cusps.

    Parameters
    ----------
    row : Row
    top : (n,) float64
        Highest surface of each column, mm; NaN where there is none.
    arch : "upper" | "lower"
    """
    named = row_numbers(arch).tolist()
    length, width = (dict(zip(named, of.tolist(), strict=True)) for of in row_sizes(arch).T[:2])
    numbers, lead, either = row.numbers.tolist(), row.lead.tolist(), row.primary.tolist()
    start, stop = row.start.tolist(), row.stop.tolist()
    for k in range(len(row.numbers) - 1, 0, -1):
        before, after = (int(number) for number in row.numbers[k - 1 : k + 1])
        absent = between(before, after)
        a, b = float(row.stop[k - 1]), float(row.start[k])
        if len(absent) != 1 or b - a < SUNKEN_MM:
            continue
        necks = 0.5 * (_neck(top, row, k - 1, length[before]) + _neck(top, row, k, length[after]))
        room = (b - a) / (row.scale * width[absent[0]])
        if _is_tooth(_seen_between(row.shadow, a, b), necks, absent[0], arch, room):
            numbers.insert(k, absent[0])
            # Between primary teeth it may be one of them, sunk, or one that comes for it.
            primary = absent[0] > FIRST_PRIMARY
            either.insert(k, np.nan)
            lead.insert(k, 0.0 if primary else float(min(row.lead[k - 1], row.lead[k])))
            start.insert(k, a)
            stop.insert(k, b)
    return replace(
        row,
        numbers=np.array(numbers),
        start=np.array(start),
        stop=np.array(stop),
        lead=np.array(lead),
        primary=np.array(either),
    )


def _neck(top: Array, row: Row, k: int, length: float) -> float:
    """Expected height of a tooth's gingival margin, mm."""
    part = top[round(row.start[k] / STEP_S_MM) : round(row.stop[k] / STEP_S_MM) + 1]
    part = part[~np.isnan(part)]
    return float(np.percentile(part, 95)) - NECK_SHARE * length if len(part) else np.inf


def _is_tooth(
    seen: tuple[float, float, float, float], necks: float, number: int, arch: str, room: float
) -> bool:
    """Whether what is seen between two neighbours is the tooth that is missing from them."""
    height, breadth, shaped, _ = seen
    rise, place = height - necks, number % 10
    if place <= FRONT_TEETH:
        broadest = float(BREADTH_MM[arch][place - 1]) + EDGE_BREADTH_MM
        return room >= EDGE_ROOM and rise >= EDGE_RISE_MM and breadth <= broadest
    fills = SUNKEN_SHARE <= room <= SUNKEN_MOST
    return fills and rise > 0.0 and rise * shaped >= SHAPED_MM2


def _seen_between(shadow: Array, a: float, b: float) -> tuple[float, float, float, float]:
    """Usual height of the row from above between two places, its breadth, and its shape, mm.

    The shape is how far cusps and fissures stand out of the biting surface; last, how far they do
    from what is alike all along the row, as a ridge's edges are.
    """
    # Of the room alone: beyond it the neighbours' walls rise.
    part = shadow[round(a / CELL_MM) : round(b / CELL_MM) + 1]
    there = part > NOTHING_MM
    known = np.where(there, part, 0.0)
    fine, plain = (
        gaussian_filter(known, size / CELL_MM)
        / np.maximum(gaussian_filter(there.astype(np.float64), size / CELL_MM), 1e-3)
        for size in (FINE_MM, PLAIN_MM)
    )
    clear = gaussian_filter(there.astype(np.float64), PLAIN_MM / CELL_MM) > WHOLLY
    end = int(END_SHARE * len(part))
    inner = slice(end, max(len(part) - end, end + 1))
    near = np.abs(np.arange(shadow.shape[1]) * CELL_MM - HALF_MM) < TABLE_HALF_MM
    table = part[inner][:, near]
    crest = table.max(axis=1)
    height = float(np.median(crest))
    breadth = CELL_MM * float(np.median((table > crest[:, None] - EDGE_DEPTH_MM).sum(axis=1)))
    chosen = (table > height - TABLE_DEPTH_MM) & clear[inner][:, near]
    if chosen.sum() <= LEAST_CELLS:
        return height, breadth, 0.0, 0.0
    shape = np.where(chosen, (fine - plain)[inner][:, near], 0.0)
    alike = shape.sum(axis=0) / np.maximum(chosen.sum(axis=0), 1)
    return height, breadth, float(np.std(shape[chosen])), float(np.std((shape - alike)[chosen]))


def _climb(shadow: Array, a: float, b: float) -> float:
    """How far the middle of the row rises from the second part of a room to the fourth, mm."""
    near = np.abs(np.arange(shadow.shape[1]) * CELL_MM - HALF_MM) < CREST_HALF_MM
    crest = shadow[round(a / CELL_MM) : round(b / CELL_MM) + 1, near].max(axis=1)
    parts = np.array_split(crest[crest > NOTHING_MM], PARTS)
    return float(np.median(parts[3]) - np.median(parts[1])) if len(parts[-1]) else 0.0

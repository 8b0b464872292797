"""Which neighbours do not touch, and how far they are apart."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.result import Gap
from geometry.dentition.row.crowns import (
    arch_of,
    between,
    row_numbers,
    row_sizes,
    sextant_of,
)
from geometry.dentition.row.passages import LEVEL_MM, Passage
from geometry.dentition.row.rows import Row
from geometry.dentition.row.spaces import CELL_MM, HALF_MM

Array = NDArray[np.float64]

CONTACT_SHARE, HALF_WAY = 0.6, 0.45
"""How far below edge or cusp, as a share of the crown, neighbours touch; and half way down."""

SHORTEST, MISREAD, USUAL_RATIO = 0.8, (0.6, 0.68), 0.93
"""Crowns count as no shorter than this share of the average where it is asked whether they touch;
crowns said to be as short as ``MISREAD`` are more and more likely of the usual length, with their
gum line put too high."""

LEAST_MM = 0.55
CONTACT_ROOM_MM, BELOW_ROOM_MM, OPEN_ROOM_MM = 0.25, -0.3, -1.0
"""Closed this far over (or below) where crowns usually touch, a passage may be (is) a gap."""

ON_GUM_MM, HIGH_ON_GUM_MM = 0.8, 0.45
"""The bottom of a gap lies no higher over the papilla than this: else crowns close it."""

HIGH_DEPTH_MM = 2.0
OPEN_BOTTOM_MM, CONTACT_BOTTOM_MM, U_SHAPED = 0.5, 0.8, 0.8
"""So wide is the bottom of a gap that ends below where crowns touch, or about there without being
as wide as this share of it."""
HIGH_BOTTOM_MM, HIGH_BOTTOM_GRAIN, HIGH_LEAST_MM = 0.95, 1.9, 0.65
"""A contact that the scan has smeared over opens like a V, a gap like a U: the width of its
bottom is more than a scan, or triangles of that size, smear. Set on generated arches."""

V_MOST_MM = 0.7
FLANK, JUMP, FLANK_LEVELS, FLANK_FROM = 0.7, 5.0, 3, 3
"""Where the passage widens faster than ``FLANK`` (mm a mm), gum still lies in it; where it
widens faster than ``JUMP``, all of a crown but its far cusp lies below."""

FLANK_MOST_MM, STEP_MOST_MM = 1.5, 0.8
"""Gum lies in a passage no farther over its bottom than this: what widens further up are the
crowns; and so near to the bottom, a sudden widening is a step of the gum."""

EDGE_MM = 0.8
MISSING_MM = 2.0
WIDE_MM, CLIMB_MM, HALF_SHARE = 3.5, 0.5, 0.5
"""In a space so wide gum climbs up the crowns on either side. Where it narrows the space by so
much, they are as far apart as they are seen to be from above, each more than half way up."""

FRONT_TEETH = 3

PARALLEL = 0.95
"""A passage as wide as this at its bottom, as a share of its width, parts teeth all the same."""

SLOT, SLOT_DEPTH_MM = 0.9, 2.5
SLOT_ON_GUM_MM, SLOT_GRAIN = (0.1, 1.5), (2.0, 4.0)
"""A slot with parallel walls, so deep and so many triangles wide, parts two crowns down to the
papilla; one twice as many wide also where the papilla in it was read somewhat too low: no contact
is smeared over like that."""

LEAF_MM, SLIT_MM, LEAP_MM, AGAIN_MM, AHEAD_MM = 1.5, 0.6, 0.6, 0.1, 3.0
"""So far up from its bottom a passage may be a slit beside a leaf of gum, so narrow, from which it
widens at once by so much; or lie over its flank, from which it narrows again by so much within
the last distance. A contact of two crowns opens on and on."""

NARROW_MM, FACING_MM = 1.0, 0.05
FROM_MM, TO_MM, CREST_MM = 0.6, 2.2, 1.0
"""Crowns face each other where their highest ``CREST_MM`` on either side of the passage, between
these distances from it, lie over each other across the row. Else one stands before the other, and
what is narrow between them is no space. Chosen on generated arches."""


def find_gaps(
    passages: Sequence[Passage],
    row: Row,
    tip: Array,
    length: Array,
    papilla: Array,
    grain: float,
    lift: Callable[[Array], Array],
) -> tuple[Gap, ...]:
    """Gaps of a row of k teeth.

    Parameters
    ----------
    passages : k − 1 passages
    row : Row
    tip : (k,) float64
        Height of edge or cusp, mm.
    length : (k,) float64
        Of the crowns, as :func:`believed` has them, mm.
    papilla : (k − 1,) float64
        Height of the gingival margin between neighbours, mm.
    grain : float
        Usual edge of the scan's triangles on the crowns, mm.
    lift : turns (right, anterior, occlusal) into file coordinates
    """
    out = []
    for k, passage in enumerate(passages):
        edge, crown = float(tip[k : k + 2].min()), float(length[k : k + 2].min())
        contact = edge - CONTACT_SHARE * crown
        facing = _facing(row.shadow, row.stop[k], row.start[k + 1])
        found = _free(passage, edge, contact, float(papilla[k]), grain, facing)
        if found is None:
            continue
        free, level = found
        width = float(free.widths[level])
        one, two = (int(number) for number in row.numbers[k : k + 2])
        absent = between(one, two)
        front = max(one % 10, two % 10) <= FRONT_TEETH
        steps = round((edge - free.bottom - EDGE_MM) / LEVEL_MM)
        narrows = _bottom_widths(free.widths, steps)[0] < PARALLEL * width
        if front and narrows and width < NARROW_MM and not facing:
            continue
        missing = absent if width > MISSING_MM else ()
        if width > WIDE_MM and width + CLIMB_MM < passage.clear_mm < np.inf:
            width = passage.clear_mm
        # Told half way down the crowns, however low the passage is at its narrowest.
        middle = lift(np.array([*free.middles[level], edge - HALF_WAY * crown]))
        number = missing[0] if missing else one
        kind = "missing" if missing else "space"
        out.append(Gap(kind, width, middle, (one, two), missing, sextant_of(number)))
    return tuple(out)


def _free(
    passage: Passage, edge: float, contact: float, papilla: float, grain: float, facing: bool
) -> tuple[Passage, int] | None:
    """The passage that parts two crowns, and the level of its least width; None where they touch.

    Where a leaf of gum stands up between the crowns it is the passage over the leaf.
    """
    level = _widest_level(passage, edge, contact)
    width = float(passage.widths[level])
    if facing and _is_slot(passage, width, edge, papilla, grain):
        return passage, level
    if _is_gap(passage, width, edge, contact, papilla, grain):
        return passage, level
    over = _over_leaf(passage)
    if over is None or not facing:
        return None
    level = _widest_level(over, edge, contact)
    width = float(over.widths[level])
    # The leaf belongs to the papilla: how far that was read too low is told by its foot.
    foot = papilla + over.bottom - passage.bottom
    return (over, level) if _is_slot(over, width, edge, foot, grain) else None


def _over_leaf(passage: Passage) -> Passage | None:
    """The passage without the slit or flank beside a leaf of gum at its bottom, if there is one."""
    reach, most = FLANK_LEVELS, round(LEAF_MM / LEVEL_MM)
    widths = passage.widths
    if len(widths) <= most + reach:
        return None
    low = widths[: most + 1]
    leaps = np.where(low < SLIT_MM, widths[reach : most + reach + 1] - low, 0.0)
    at = int(np.argmax(leaps))
    cut = at + reach if leaps[at] >= LEAP_MM else 0
    for level in range(reach, most + 1 if not cut else 0):
        ahead = widths[level : level + round(AHEAD_MM / LEVEL_MM)].min()
        if widths[level] >= widths[:level].max() and ahead <= widths[level] - AGAIN_MM:
            cut = level
    if not cut:
        return None
    bottom = passage.bottom + cut * LEVEL_MM
    return Passage(bottom, widths[cut:], passage.middles[cut:], passage.clear_mm)


def believed(length: Array, row: Row) -> Array:
    """Lengths of crowns (k,) that are not implausibly short all together, mm."""
    arch = arch_of(int(row.numbers[0]))
    average = dict(zip(row_numbers(arch).tolist(), row_sizes(arch)[:, 0].tolist(), strict=True))
    usual = np.array([average[int(number)] for number in row.numbers])
    ratio = length / usual
    trust = np.clip((ratio - MISREAD[0]) / (MISREAD[1] - MISREAD[0]), 0.0, 1.0)
    kept = np.maximum(ratio, SHORTEST)
    return np.asarray(usual * (USUAL_RATIO + trust * (kept - USUAL_RATIO)))


def _facing(shadow: Array, a: float, b: float) -> bool:
    """Whether the crowns before ``a`` and behind ``b`` mm stand in one row there.

    ``shadow`` is the row from above.
    """
    ends = []
    for first, last in ((a - TO_MM, a - FROM_MM), (b + FROM_MM, b + TO_MM)):
        part = shadow[max(round(first / CELL_MM), 0) : max(round(last / CELL_MM), 0) + 1]
        if not len(part):
            return True
        crest = part.max(axis=0)
        high = np.flatnonzero(crest > crest.max() - CREST_MM) * CELL_MM - HALF_MM
        ends.append((high[0], high[-1]))
    (low, high), (other_low, other_high) = ends
    return bool(min(high, other_high) - max(low, other_low) > FACING_MM)


def _widest_level(passage: Passage, edge: float, contact: float) -> int:
    """Level of the least distance of two crowns, over the gum that lies between them.

    A high papilla narrows the passage where crowns are usually widest: as long as it widens
    like a flank of gum, they are nearest further up.
    """
    widths = passage.widths
    last = len(widths) - 1 - FLANK_LEVELS
    top = max(min(int((edge - EDGE_MM - passage.bottom) / LEVEL_MM), last), 0)
    level = min(max(round((contact - passage.bottom) / LEVEL_MM), FLANK_FROM), top)
    rises = (widths[FLANK_LEVELS:] - widths[:-FLANK_LEVELS]) / (FLANK_LEVELS * LEVEL_MM)
    step, most = round(STEP_MOST_MM / LEVEL_MM), min(top, round(FLANK_MOST_MM / LEVEL_MM))
    while level < most and rises[level] > FLANK and (level < step or rises[level] <= JUMP):
        level += 1
    return level + int(np.argmin(widths[level : top + 1]))


def _is_gap(
    passage: Passage, width: float, edge: float, contact: float, papilla: float, grain: float
) -> bool:
    """Whether two crowns are joined by gum only, and far enough apart.

    Joined well below where crowns touch they are apart. Joined higher they are if the papilla
    joins them and the passage, told from how it opens, is wide down to its bottom.
    """
    if width < LEAST_MM:
        return False
    over, on_gum = passage.bottom - contact, passage.bottom - papilla
    depth = edge - passage.bottom
    low, high = _bottom_widths(passage.widths, round((depth - EDGE_MM) / LEVEL_MM))
    if over < CONTACT_ROOM_MM and on_gum < ON_GUM_MM:
        plain = over < BELOW_ROOM_MM or low >= U_SHAPED * width
        least = OPEN_BOTTOM_MM if plain else CONTACT_BOTTOM_MM
        return over < OPEN_ROOM_MM or max(low, high) >= least
    return (
        on_gum < HIGH_ON_GUM_MM
        and depth >= HIGH_DEPTH_MM
        and width >= HIGH_LEAST_MM
        and low >= max(HIGH_BOTTOM_MM, HIGH_BOTTOM_GRAIN * grain)
        and width - low <= V_MOST_MM
    )


def _is_slot(passage: Passage, width: float, edge: float, papilla: float, grain: float) -> bool:
    """Whether two crowns stand along a passage like parallel walls."""
    depth, on_gum = edge - passage.bottom, passage.bottom - papilla
    low, high = _bottom_widths(passage.widths, round((depth - EDGE_MM) / LEVEL_MM))
    if depth < SLOT_DEPTH_MM or width < HIGH_LEAST_MM or low < SLOT * width:
        return False
    if on_gum < SLOT_ON_GUM_MM[0] and high >= SLOT * width:
        return low >= SLOT_GRAIN[0] * grain
    return on_gum < SLOT_ON_GUM_MM[1] and low >= max(HIGH_BOTTOM_MM, SLOT_GRAIN[1] * grain)


def _bottom_widths(widths: Array, top: int) -> tuple[float, float]:
    """Width of a passage's bottom, told by carrying on its walls from close by and from afar.

    The bottom itself is rounded and roughened by the scan, so it is told from the widths at
    some height and at twice that height. Two convex crowns that touch have none, or less.
    """
    some = widths[: max(top, 12) + 1]
    # Nothing between the crowns makes a gap wider than it is further up.
    at_most = np.minimum.accumulate(some[::-1])[::-1]
    at = np.minimum(np.array([4, 6, 8, 10]), len(at_most) - 1)
    twice = np.minimum(2 * at, len(at_most) - 1)
    told = 2.0 * at_most[at] - at_most[twice]
    return float(told[:2].max()), float(told[2:].max())

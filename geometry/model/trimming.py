"""Choose the height at which tissue is trimmed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.dentition import Dentition
from geometry.model.surface.halfedges import Faces
from geometry.model.undercuts.shadow import cast_shadow

Array = NDArray[np.float64]

# Clinical crowns end about here below the incisal edge where no margin was found;
# the longest upper crowns of the handbook tables have 10.5 mm.
CROWN_LENGTH = 10.5
COARSE = 0.4
FREE_SHARE = 0.03
# An automatic trim stays clear of where a margin may really lie. On 900 places of two
# generators 19 of 20 read too high by less than the first, or by what the reading doubts of
# itself less the second; those worse were margins not seen, or lingual ones of front teeth.
MARGIN_ERROR = 0.4
DOUBT_LESS = 0.3
HARD_TO_SEE = 0.7
ROUNDING = 0.05
INTO_CROWN = 0.5
"""A cut that runs higher above a margin, mm, takes some of a crown, not only of tissue."""
BESIDE = 2.5
"""Within the narrower half of any tooth, mm, and not through to its other side."""


@dataclass(frozen=True, slots=True)
class Trim:
    """Where tissue is trimmed and what that keeps and gives up.

    Attributes
    ----------
    z : float
        Height above the base, mm.
    kept : float or None
        Least tissue kept beyond the margin at a tooth's middle, mm; None when the
        margin is not known.
    undercut_above, undercut_below : float or None
        Undercut of gingiva and teeth that stays above the trim and that it takes
        away, mm³; None for a trim that was given.
    """

    z: float
    kept: float | None
    undercut_above: float | None = None
    undercut_below: float | None = None


def margin_heights(dentition: Dentition | None, move: Array, scan: Array) -> tuple[Array, Array]:
    """Return margin and border heights at the middle of each tooth and side.

    Parameters
    ----------
    dentition : Dentition or None
    move : (4, 4) float64
        From file to model.
    scan : (n, 3) float64
        Its vertices in model axes.
    """
    if dentition is None or not dentition.teeth:
        return np.empty(0), np.empty(0)
    places = [tooth.side(name) for tooth in dentition.teeth for name in ("facial", "lingual")]
    at = np.array([place.at for place in places]) @ move[:3, :3].T + move[:3, 3]
    margin = at[:, 2]
    border = margin - np.array([place.captured_mm for place in places])
    # Where a scan was cut off across its last tooth the border runs up beside that tooth's
    # middle, and the tissue lies right next to it.
    for k in {0, 1, len(at) - 2, len(at) - 1}:
        near = np.hypot(*(scan[:, :2] - at[k, :2]).T) < BESIDE
        border[k] = min(border[k], scan[near, 2].min(initial=np.inf))
    return margin, border


def margin_doubts(dentition: Dentition | None) -> Array:
    """Return how much lower each margin of :func:`margin_heights` may well lie, mm."""
    out = []
    for tooth in dentition.teeth if dentition else ():
        for name in ("facial", "lingual"):
            place = tooth.side(name)
            doubt = max(MARGIN_ERROR, place.captured_mm - place.low_mm - DOUBT_LESS)
            front_lingual = name == "lingual" and tooth.number % 10 <= 3
            out.append(doubt + (HARD_TO_SEE if front_lingual or not place.margin_seen else 0.0))
    return np.array(out)


def tissue_kept(margin: Array, border: Array, z: float) -> float | None:
    """Least height of tissue between margin and trim or border, mm."""
    if not len(margin):
        return None
    return float((margin - np.maximum(border, z)).min())


def margin_names(dentition: Dentition | None) -> list[str]:
    """Name the margins of :func:`margin_heights`."""
    sides = ("facial", "lingual")
    teeth = dentition.teeth if dentition else ()
    return [f"at {tooth.number}, {side} side" for tooth in teeth for side in sides]


def little_tissue(
    margin: Array, border: Array, trim: Trim, tissue: float, names: Sequence[str]
) -> list[str]:
    """Say that less than ``tissue`` mm or less than a crown is kept, where, and what helps."""
    if trim.kept is None or trim.kept >= tissue - ROUNDING:
        return []
    least = int(np.argmin(margin - np.maximum(border, trim.z)))
    if trim.kept < -INTO_CROWN and border[least] <= trim.z:
        what = "a lower trim" if trim.z > 0.0 else "a greater height"
        return [
            f"the cut runs {-trim.kept:.1f} mm above the margin {names[least]}, and takes that"
            f" much of the crown; {what} keeps it"
        ]
    if border[least] > trim.z:
        why = "the scan ends there"
    elif trim.z > 0.0:
        why = "a lower trim keeps more"
    else:
        why = "a greater height keeps more"
    return [
        f"only {max(trim.kept, 0.0):.1f} mm of tissue is left beyond the margin "
        f"{names[least]}; {why}"
    ]


def highest_trim(top: float, margin: Array, doubt: Array, tissue: float) -> float:
    """Return the trim that leaves ``tissue`` beyond every margin, wherever that may well lie.

    The arguments are those of :func:`choose_trim`.
    """
    lowest = float((margin - doubt).min()) if len(margin) else top - CROWN_LENGTH - MARGIN_ERROR
    return max(0.0, lowest - tissue)


def choose_trim(
    vertices: Array,
    faces: Faces,
    top: float,
    margin: Array,
    border: Array,
    doubt: Array,
    tissue: float,
    beyond: float,
) -> Trim:
    """Find the lowest trim that takes away the gingival undercut it can.

    Raising the trim takes undercut away and tissue with it. The trim goes no
    higher than leaves ``tissue`` beyond every margin, wherever that may well lie, and
    no higher than takes undercut away.

    Parameters
    ----------
    vertices, faces
        The scan's surface in model axes.
    top : float
        Height of the incisal edges.
    margin, border : (k,) float64
        From :func:`margin_heights`; empty when not known.
    doubt : (k,) float64
        From :func:`margin_doubts`.
    tissue : float
        To be kept beyond the margin, mm.
    beyond : float
        Undercut up to this depth is wanted for retention and not counted.
    """
    limit = highest_trim(top, margin, doubt, tissue)
    standing = np.maximum(vertices, (-np.inf, -np.inf, 0.0))
    shadow = cast_shadow(standing, faces, beyond, step=COARSE)
    open_air = shadow.air & (shadow.depth > beyond)
    by_level = open_air.sum(axis=0) * shadow.step**3
    heights = np.arange(shadow.levels) * shadow.step
    total = float(by_level.sum())
    in_reach = float(by_level[heights < limit].sum())
    z = 0.0
    if in_reach > FREE_SHARE * max(total, 1.0):
        taken = np.cumsum(by_level)
        enough = in_reach - FREE_SHARE * in_reach
        z = min(limit, float(heights[np.searchsorted(taken, enough)]) + shadow.step)
    below = float(by_level[heights < z].sum())
    return Trim(z, tissue_kept(margin, border, z), total - below, below)

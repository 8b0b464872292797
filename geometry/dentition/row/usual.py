"""What is usual for every tooth of an arch: its size, its place, and what may stand there instead.

A row is explained three ways: as one of permanent teeth, as a mixed one in which primary canines
and molars may stand, and as a primary one. The first permanent teeth come at six years, lower
incisors and first molars about together; primary canines and molars go from nine to twelve years
(Nelson, *Wheeler's Dental Anatomy, Physiology and Occlusion*, chronologies, from memory). So
primary incisors have primary canines and molars behind them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.row.crowns import CROWN_SIZES_MM, PRIMARY_SIZES_MM

Array = NDArray[np.float64]

PERMANENT, MIXED, PRIMARY = "permanent", "mixed", "primary"
MIDLINE_SD_MM, INCISORS = 1.6, 2
"""Incisors stand where the midline of the arch form has them, give or take."""
CONTACT_SHARE = 0.97
"""Teeth wear and overlap at their contacts."""
BREADTH_MM = {
    "upper": np.array([3.9, 3.8, 5.4, 8.5, 8.4, 10.7, 10.5, 9.6]),
    "lower": np.array([3.8, 4.0, 4.8, 6.8, 7.4, 9.8, 9.5, 9.1]),
}
"""Usual breadth seen from above 3 mm below edge or cusp tip, teeth 1–8: between the
faciolingual diameters of :data:`geometry.dentition.row.crowns.CROWN_SIZES_MM` and what edges and
low lingual cusps leave of them; chosen here."""
BREADTH_SD_MM = np.array([0.8, 0.8, 1.0, 0.8, 0.8, 1.0, 1.0, 1.1])
PRIMARY_BREADTH_MM = {
    "upper": np.array([3.2, 2.9, 4.8, 8.0, 9.4]),
    "lower": np.array([2.9, 2.9, 3.9, 6.5, 8.0]),
}
"""The same of primary teeth: their faciolingual diameters in common tables (from memory), less
what edges and cusps leave of those of permanent teeth; chosen here."""
PLACES = 5
"""Incisors, canine and two molars: so many primary teeth stand on each side."""
OTHER_PRICE = 1.0
"""What a primary tooth costs in a mixed row, or a permanent incisor in a primary one."""

# Extra cost when a row begins (or, mirrored, ends) with each of the 16 teeth.
_FIRST = np.array([1.0, 0.0, 0.6, 2.0, 3.0, 4.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0])
FIRST = {
    PERMANENT: _FIRST,
    # Second molars come when the last primary teeth go, third molars years later.
    MIXED: np.concatenate([[4.0, 0.6], _FIRST[2:]]),
    # First permanent molars come with the first permanent incisors or soon after.
    PRIMARY: np.concatenate([[12.0, 8.0, 4.0, 0.0, 3.0], _FIRST[5:]]),
}


def usual_teeth(arch: str, scale: float, kind: str, *, midline: bool) -> Array:
    """What is usual for every tooth, see :func:`geometry.dentition.row.assign.lay_teeth`.

    Parameters
    ----------
    arch : "upper" | "lower"
    scale : float
        Tooth size against the average.
    kind : "permanent" | "mixed" | "primary"
        A mixed row may have primary canines and molars, a primary one permanent incisors; what
        stands behind second primary molars is permanent.
    midline : bool
        Whether the midline is known.
    """
    sizes, breadths = CROWN_SIZES_MM[arch][:, 1], BREADTH_MM[arch]
    milk, thin = PRIMARY_SIZES_MM[arch][:, 1], PRIMARY_BREADTH_MM[arch]
    other_sizes, other_breadths, price = sizes, breadths, np.full(len(sizes), np.inf)
    if kind == MIXED:
        other_sizes = np.concatenate([milk, sizes[PLACES:]])
        other_breadths = np.concatenate([thin, breadths[PLACES:]])
        price[INCISORS:PLACES] = OTHER_PRICE
    elif kind == PRIMARY:
        sizes = np.concatenate([milk, sizes[PLACES:]])
        breadths = np.concatenate([thin, breadths[PLACES:]])
        price[:INCISORS] = OTHER_PRICE
    widths, deeper = sizes * scale, 0.5 + 0.5 * scale
    away = np.cumsum(widths) - 0.5 * widths
    # Farther back extractions, spaces and crowding move teeth along the arch.
    away_sd = np.full(len(sizes), np.inf)
    if midline:
        away_sd[:INCISORS] = np.hypot(MIDLINE_SD_MM, 0.1 * away[:INCISORS] / scale)
    half = np.stack([CONTACT_SHARE * widths, breadths * deeper, BREADTH_SD_MM, -away, away_sd])
    half_right = half[:, ::-1] * np.array([1.0, 1.0, 1.0, -1.0, 1.0])[:, None]
    other = np.stack([CONTACT_SHARE * other_sizes * scale, other_breadths * deeper, price])
    return np.concatenate(
        [
            np.concatenate([half_right, half], axis=1),
            FIRST[kind][None],
            np.concatenate([other[:, ::-1], other], axis=1),
        ]
    )

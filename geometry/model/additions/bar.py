"""A bar between the ends of a horseshoe base.

A plain horseshoe changes its width after printing, one with a bar or a full base does
not: Camardella, Vilella and Breuning, Am J Orthod Dentofacial Orthop 2017;151:1178–1187.
"""

from __future__ import annotations

import manifold3d
import numpy as np
import shapely

from geometry.model.additions.baseplan import Face, crossings, ends

WIDTH = 5.0
HEIGHT = 4.0
NARROWEST_GAP = 4.0


def is_horseshoe(plan: shapely.Polygon) -> bool:
    """Tell whether a base has two free ends."""
    return len(ends(plan)) == 2


def bar_between_ends(plan: shapely.Polygon) -> tuple[manifold3d.Manifold, Face] | None:
    """Return a bar that joins the ends of a base, and its back; None where it has no two ends."""
    found = ends(plan)
    if len(found) < 2:
        return None
    back = min(end[2] for end in found) - 1.0
    middle = back - 0.5 * WIDTH
    arms = [pair for pair in crossings(plan, middle) if pair[1] - pair[0] > 2.0]
    if len(arms) < 2 or arms[-1][0] - arms[0][1] < NARROWEST_GAP:
        return None
    left, right = arms[0], arms[-1]
    x0, x1 = 0.5 * (left[0] + left[1]), 0.5 * (right[0] + right[1])
    bar = manifold3d.Manifold.cube((x1 - x0, WIDTH, HEIGHT)).translate((x0, back - WIDTH, 0.0))
    face = Face(
        "back",
        np.array([0.5 * (left[1] + right[0]), back, 0.5 * HEIGHT]),
        np.array([-1.0, 0.0, 0.0]),
        np.array([0.0, 0.0, 1.0]),
        np.array([0.0, 1.0, 0.0]),
        right[0] - left[1],
        HEIGHT,
    )
    return bar, face

"""Depth of the curve of Spee.

Marshall, Caspersen, Hardinger, Franciscus, Aquilino, Southard, "Development of
the curve of Spee", American Journal of Orthodontics and Dentofacial Orthopedics
2008;134(3):344-352: the reference line runs from the central incisor to the
distal cusp tip of the most posterior tooth; the depth is the greatest
perpendicular distance from it to the buccal cusp tips, in the sagittal view.
The line ends at the distobuccal cusp of the last tooth, which is the one seen in
that view.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.frame.frame import Frame

CENTRAL_MM = 7.0
LOWER_CENTRAL_MM = 5.0
"""A tip this near the midline along the row is a central incisor's; the lower ones are
5 mm broad (Nelson, Wheeler's Dental Anatomy, Table 1-1, from memory), and a lateral
incisor beside them may stand a millimetre higher."""

BACK_FROM_MM = 12.0
BEHIND_CANINE_MM = 20.0
FACIAL_REACH_MM = 3.5
FACIAL_SLACK_MM = 1.5
LINGUAL_MM = -0.8
LAST_TOOTH_MM = 8.0
LEAST_CHORD_MM = 20.0
INSIDE_MM, UNDER_MM = 0.9, 0.5
"""A tip this far to the tongue of the line between its two facial neighbours, and this much lower
than either, is a marginal ridge, a distal cusp or the gum between two teeth; chosen here."""


@dataclass(frozen=True, slots=True)
class CurveOfSpee:
    """Depth of the curve of Spee by side, mm; ``None`` where it cannot be measured.

    Attributes
    ----------
    left_mm, right_mm : float or None
        Greatest distance of the buccal cusp tips from the reference line.
    left_concave, right_concave : bool or None
        True when those tips lie on the gum side of the line (as on most lower
        arches), false when they stand out beyond it (as on most upper ones).
    """

    left_mm: float | None
    right_mm: float | None
    left_concave: bool | None
    right_concave: bool | None


def _facial(places: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which tips have no other tip clearly nearer to the cheek beside them."""
    near = np.abs(places[:, None, 0] - places[None, :, 0]) < FACIAL_REACH_MM
    outermost = np.where(near, places[None, :, 1], -np.inf).max(axis=1)
    return (places[:, 1] >= outermost - FACIAL_SLACK_MM) & (places[:, 1] > LINGUAL_MM)


def _ridges(places: NDArray[np.float64], height: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which facial tips (n,) lie between their neighbours as no buccal cusp does."""
    out = np.zeros(height.size, dtype=np.bool_)
    order = np.argsort(places[:, 0], kind="stable")
    for before, k, after in zip(order, order[1:], order[2:], strict=False):
        ends = [before, after]
        facial = np.interp(places[k, 0], places[ends, 0], places[ends, 1])
        inside, under = facial - places[k, 1], height[ends].min() - height[k]
        out[k] = inside > INSIDE_MM and under > UNDER_MM
    return out


def _side(
    view: NDArray[np.float64],
    places: NDArray[np.float64],
    peak: NDArray[np.bool_],
    sign: float,
    lower: bool,
) -> tuple[float, bool] | None:
    """Depth on one side; ``view`` is (anterior, height) of all tips."""
    along = places[:, 0] * sign
    centre = np.abs(along) < CENTRAL_MM
    near = np.abs(along) < LOWER_CENTRAL_MM
    if lower and near.any():
        centre = near
    own = centre & (along > 0)
    if own.any():
        centre = own
    back = peak & (along > BACK_FROM_MM)
    if not centre.any() or back.sum() < 3:
        return None
    start = view[centre][np.argmax(view[centre, 1])]
    facial = back.copy()
    facial[back] = _facial(places[back])
    facial[facial] = ~_ridges(places[facial], view[facial, 1])
    if not (facial & (along > BEHIND_CANINE_MM)).any():
        return None
    last = facial & (along > along[facial].max() - LAST_TOOTH_MM)
    end = view[last][np.argmin(view[last, 0])]
    chord = end - start
    length = float(np.linalg.norm(chord))
    if length < LEAST_CHORD_MM:
        return None
    cusps = view[facial]
    offset = cusps - start
    # Positive on the gum side of the line, which runs backwards.
    below = (chord[0] * offset[:, 1] - chord[1] * offset[:, 0]) / length
    concave = lower or float(np.mean(below[along[facial] > BEHIND_CANINE_MM])) >= 0
    return max(0.0, float(below.max() if concave else -below.min())), concave


def curve_of_spee(frame: Frame, aside: NDArray[np.bool_] | None = None) -> CurveOfSpee:
    """Measure the curve of Spee on both sides of an arch.

    On a lower arch it is the depth on the gum side, 0 when all cusps stand on or
    above the line; on an upper one the side on which most back cusps lie counts.

    Parameters
    ----------
    frame : Frame
    aside : (n,) bool, optional
        Which of the frame's tips are none of the two buccal cusps, where the teeth are known:
        gum behind the last teeth, the small distal cusp of lower first molars.
    """
    kept = np.ones(len(frame.tips), dtype=np.bool_) if aside is None else ~aside
    view = frame.to_local(frame.tips[kept])[:, 1:]
    places, peak = frame.tip_places[kept], ~frame.tip_on_edge[kept]
    lower = frame.arch == "lower"
    left = _side(view, places, peak, -1.0, lower)
    right = _side(view, places, peak, 1.0, lower)
    return CurveOfSpee(
        left_mm=left[0] if left else None,
        right_mm=right[0] if right else None,
        left_concave=left[1] if left else None,
        right_concave=right[1] if right else None,
    )

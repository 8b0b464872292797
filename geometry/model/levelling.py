"""How level the teeth stand over a base, before and after."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.axes import ArchAxes
from geometry.frame import TILT_OFF_BY, Frame

Array = NDArray[np.float64]

SURE_TILT_DEG = 2.5
"""On generated halves, quarters and fronts an occlusal plane known no better than this was up to
32° off, a better known one never more than 8°; of whole arches 98 in 100 have less."""


def doubts(frame: ArchAxes) -> list[str]:
    """Say what of the way a model stands is little more than a guess."""
    out: list[str] = []
    if not isinstance(frame, Frame):
        return out
    if not frame.front_seen:
        out.append(
            "so few teeth do not show which way is the front: the model may be turned on its base,"
            " and names of places may be wrong; check before printing"
        )
    if frame.tilt_sd_deg > SURE_TILT_DEG:
        out.append(
            "the teeth in the scan give the occlusal plane to about"
            f" {TILT_OFF_BY * frame.tilt_sd_deg:.0f}° only, and with it levelling, undercuts and"
            " block-out; check, and tilt by hand if need be"
        )
    return out


def tilt_after(frame: ArchAxes, move: Array) -> float:
    """Angle between the model's z and its occlusal axis, degrees."""
    cosine = float(move[2, :3] @ np.asarray(frame.occlusal, dtype=np.float64))
    return float(np.degrees(np.arccos(min(1.0, max(-1.0, cosine)))))


def height_spread(frame: ArchAxes, move: Array) -> dict[str, float] | None:
    """Difference in height between front and back teeth over the base, mm.

    Before: over the file's own z axis, turned to point from gums to teeth;
    after: over the model's base. The front is the third of the tips that lies
    most anterior, the back the third that lies most posterior.

    Returns
    -------
    ``{"before", "after"}``; None where the frame has no tips.
    """
    if not isinstance(frame, Frame) or len(frame.tips) < 6:
        return None
    forward = frame.tips @ frame.anterior
    order = np.argsort(forward)
    third = len(order) // 3
    back, front = order[:third], order[-third:]
    axis = np.array([0.0, 0.0, 1.0 if frame.occlusal[2] >= 0 else -1.0])
    out = {}
    for name, up in (("before", axis), ("after", move[2, :3])):
        height = frame.tips @ up
        out[name] = round(abs(float(np.median(height[front]) - np.median(height[back]))), 3)
    return out

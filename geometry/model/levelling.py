"""How level the teeth stand over a base, before and after."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.frame import Frame
from geometry.model.pose import FrameLike

Array = NDArray[np.float64]


def tilt_after(frame: FrameLike, move: Array) -> float:
    """Angle between the model's z and its occlusal axis, degrees."""
    cosine = float(move[2, :3] @ np.asarray(frame.occlusal, dtype=np.float64))
    return float(np.degrees(np.arccos(min(1.0, max(-1.0, cosine)))))


def height_spread(frame: FrameLike, move: Array) -> dict[str, float] | None:
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

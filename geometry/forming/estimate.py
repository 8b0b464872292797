"""Estimated thickness of a sheet formed over a model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.forming.membrane import Formed, Ground, form_sheet, round_sheet

Array = NDArray[np.float64]

# A round blank in a clamping frame: 125 mm discs are common, 60 mm is what is free of
# the clamp; common practice, no source.
FRAME_RADIUS = 60.0
SPACING = 1.6
DRAPE_STEPS = 700
PRESS_STEPS = 700
CLEAR = 0.05
NET_REACH = 5.0


@dataclass(frozen=True, slots=True)
class Thickness:
    """Thickness of a formed sheet, as shares of the flat sheet's.

    Attributes
    ----------
    points : (n, 3) float64
        Places on the model, mm.
    share : (n,) float64
        Formed thickness over nominal, by the membrane.
    mean : float
        Nominal over the areal ratio of the whole blank: the areal estimate.
    """

    points: Array
    share: Array
    mean: float


def form_over(ground: Ground, from_height: float) -> Thickness:
    """Form a round blank over a model that stands on a platform at height 0.

    Parameters
    ----------
    ground : Ground
        Height field of the model, 0 where the platform is bare.
    from_height : float
        Places on the model below this are left out of the result.
    """
    i, j = np.nonzero(ground.heights > 0.5)
    near = np.column_stack((ground.x0 + i * ground.pitch, ground.y0 + j * ground.pitch))
    centre = 0.5 * (near.min(axis=0) + near.max(axis=0))
    reach = float(np.hypot(*(near - centre).T).max())
    radius = max(FRAME_RADIUS, reach + 12.0)
    sheet = round_sheet(centre, radius, SPACING, near[::7], NET_REACH)
    top = float(ground.heights.max())
    formed = form_sheet(
        sheet, ground, top + CLEAR, CLEAR, drape_steps=DRAPE_STEPS, press_steps=PRESS_STEPS
    )
    on = _on_model(formed, from_height)
    return Thickness(formed.points[on], 1.0 / formed.stretch[on], 1.0 / formed.areal_ratio)


def _on_model(formed: Formed, from_height: float) -> NDArray[np.bool_]:
    return formed.points[:, 2] > max(from_height, 0.5)

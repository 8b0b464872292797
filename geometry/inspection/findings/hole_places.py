"""Where a hole lies: how far below the gum line, and whether between two teeth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from geometry.dentition import Dentition
from geometry.frame import Frame

GumLine = Callable[[NDArray[np.float64]], float]
Between = Callable[[NDArray[np.float64]], bool]

# A crown turns away from its neighbour over this share of its width.
_PROXIMAL_SHARE = 0.3
_MOST_APART_MM = 1.5  # crowns: there is no "between" across a wider space
_ASIDE_MM = 9.0  # from the middle of the contact: no embrasure reaches farther
_MOST_OF_RIM = 0.9


def gum_line_of(frame: Frame, dentition: Dentition) -> GumLine | None:
    """Return how to tell how far below the gum line a hole begins; None without teeth.

    The lower of the facial and the lingual margin of the nearest tooth counts.
    """
    if not dentition.teeth:
        return None
    centres = frame.to_local(np.array([tooth.centre for tooth in dentition.teeth]))
    margins = np.array([[tooth.facial.at, tooth.lingual.at] for tooth in dentition.teeth])
    lowest = ((margins - frame.origin) @ frame.occlusal).min(axis=1)

    def below(rim: NDArray[np.float64]) -> float:
        local = frame.to_local(rim)
        beside = np.linalg.norm(centres[:, :2] - local[:, :2].mean(axis=0), axis=1)
        return float(lowest[beside.argmin()] - local[:, 2].max())

    return below


def between_of(frame: Frame, dentition: Dentition) -> Between | None:
    """Return how to tell whether a rim (k, 3) lies between two neighbours; None without any.

    It does where nine tenths of it lie no farther from the contact than crowns turn away
    from each other, along the row, and within the breadth of a crown across it.
    """
    if len(dentition.teeth) < 2:
        return None
    centres = frame.to_local(np.array([tooth.centre for tooth in dentition.teeth]))[:, :2]
    widths = np.array([tooth.width_mm for tooth in dentition.teeth])
    step = centres[1:] - centres[:-1]
    length = np.maximum(np.linalg.norm(step, axis=1), 1e-9)
    along = step / length[:, None]
    space = length - 0.5 * (widths[1:] + widths[:-1])
    contact = centres[:-1] + along * (0.5 * widths[:-1] + 0.5 * space)[:, None]
    reach = _PROXIMAL_SHARE * np.minimum(widths[1:], widths[:-1])
    reach[space > _MOST_APART_MM] = 0.0

    def between(rim: NDArray[np.float64]) -> bool:
        from_contact = frame.to_local(rim)[:, None, :2] - contact
        aside = np.abs((from_contact * along).sum(axis=2)) < reach
        near = np.linalg.norm(from_contact, axis=2) < _ASIDE_MM
        return bool((aside & near).mean(axis=0).max() >= _MOST_OF_RIM)

    return between

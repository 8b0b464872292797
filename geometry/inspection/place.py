"""Where on the arch a point lies, in codes and in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.frame import Frame

SEXTANTS = ("03", "04", "05", "06", "07", "08")
_SEXTANT_WORDS = {
    "03": "upper right back teeth",
    "04": "upper front teeth",
    "05": "upper left back teeth",
    "06": "lower left back teeth",
    "07": "lower front teeth",
    "08": "lower right back teeth",
}
_TOOTH_WORDS = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the arch.

    Attributes
    ----------
    sextant : str or None
        ISO 3950 sextant 03–08; None when upper or lower is not known.
    side : str or None
        ``facial`` or ``lingual``.
    words : str
        For the person with the scanner.
    """

    sextant: str | None
    side: str | None
    words: str


def sextant_of(tooth: int) -> str:
    """Return the ISO 3950 sextant of a two-digit tooth number."""
    quadrant, number = divmod(tooth, 10)
    if number <= 3:
        return "04" if quadrant in (1, 2) else "07"
    return {1: "03", 2: "05", 3: "06", 4: "08"}[quadrant]


def side_words(sextant: str | None, side: str | None) -> str:
    """Return how people at the chair call a side: cheek, lip, tongue or palate."""
    if side == "facial":
        return "lip side" if sextant in ("04", "07") else "cheek side"
    if side == "lingual":
        if sextant is None:
            return "inner side"
        return "palate side" if sextant in ("03", "04", "05") else "tongue side"
    return ""


def tooth_words(tooth: int) -> str:
    """Return a tooth in words, such as ``lower left canine``."""
    quadrant, number = divmod(tooth, 10)
    jaw = "upper" if quadrant in (1, 2) else "lower"
    half = "right" if quadrant in (1, 4) else "left"
    return f"{jaw} {half} {_TOOTH_WORDS[number - 1]}"


def sextant_words(sextant: str | None) -> str:
    """Return a sextant in words."""
    return _SEXTANT_WORDS.get(sextant or "", "")


class Placer:
    """Tells where points lie, from the frame alone or with teeth that were found.

    Parameters
    ----------
    frame : Frame
    teeth : dict, optional
        Centre (3,) of each tooth found, file coordinates, by ISO 3950 number.
    """

    def __init__(self, frame: Frame, teeth: dict[int, NDArray[np.float64]] | None = None) -> None:
        self._frame = frame
        self._numbers = sorted(teeth) if teeth else []
        self._centres = (
            frame.to_local(np.array([teeth[n] for n in self._numbers]))
            if teeth
            else np.empty((0, 3))
        )

    def __call__(self, point: NDArray[np.float64]) -> Place:
        """Return the place of a point in file coordinates."""
        local = self._frame.to_local(point)
        tooth = self._nearest(local)
        sextant = sextant_of(tooth) if tooth else self._sextant(local)
        side = self._side(local)
        parts = []
        if tooth:
            parts.append(f"{self._beside(local, tooth)} the {tooth_words(tooth)}")
        elif sextant:
            parts.append(sextant_words(sextant))
        else:
            parts.append(self._rough(local))
        if side:
            parts.append(side_words(sextant, side))
        return Place(sextant, side, ", ".join(parts))

    def _nearest(self, local: NDArray[np.float64]) -> int | None:
        if not self._numbers or self._frame.arch == "unknown":
            return None
        gaps = np.linalg.norm(self._centres[:, :2] - local[:2], axis=1)
        return int(self._numbers[int(np.argmin(gaps))])

    def _beside(self, local: NDArray[np.float64], tooth: int) -> str:
        """Return ``at`` or, past the last tooth, ``behind``."""
        centre = self._centres[self._numbers.index(tooth)]
        last = max(n for n in self._numbers if n // 10 == tooth // 10)
        if tooth == last and local[1] < centre[1] - 5.0:
            return "behind"
        return "at"

    def _sextant(self, local: NDArray[np.float64]) -> str | None:
        """Tell front from back by the depth of the canines behind the front edge."""
        arch = self._frame.arch
        if arch == "unknown":
            return None
        reach = 0.24 * self._frame.depth_mm
        if local[1] > -reach or self._frame.width_mm <= 0.0:
            return "04" if arch == "upper" else "07"
        right = local[0] > 0.0
        if arch == "upper":
            return "03" if right else "05"
        return "08" if right else "06"

    def _side(self, local: NDArray[np.float64]) -> str | None:
        """Tell outside from inside of the row of teeth; None on top of it."""
        if len(self._centres) >= 3:
            return _side_of_row(local, self._centres)
        half, depth = self._frame.width_mm / 2.0, self._frame.depth_mm
        if half <= 0.0 or depth <= 0.0:
            return None
        bend = -depth * (local[0] / half) ** 2
        slope = 2.0 * depth * local[0] / half**2
        off = (local[1] - bend) / np.sqrt(1.0 + slope * slope)
        return "facial" if off > 0.0 else "lingual"

    def _rough(self, local: NDArray[np.float64]) -> str:
        return "front teeth" if local[1] > -0.24 * self._frame.depth_mm else "back teeth"


def _side_of_row(local: NDArray[np.float64], centres: NDArray[np.float64]) -> str:
    """Compare distances from the middle of the arch along the ray through the point."""
    middle = np.array([0.0, centres[:, 1].min()])
    seen = local[:2] - middle
    rays = centres[:, :2] - middle
    lengths = np.linalg.norm(rays, axis=1)
    turn = np.arctan2(rays[:, 0], rays[:, 1])
    order = np.argsort(turn)
    radius = np.interp(np.arctan2(seen[0], seen[1]), turn[order], lengths[order])
    return "facial" if np.linalg.norm(seen) > radius else "lingual"

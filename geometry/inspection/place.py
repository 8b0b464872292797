"""Where on the arch a point lies, in codes and in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.dentition.row.crowns import permanent, sextant_of
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
_PRIMARY_WORDS = (
    "primary central incisor",
    "primary lateral incisor",
    "primary canine",
    "first primary molar",
    "second primary molar",
)


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the arch.

    Attributes
    ----------
    sextant : str or None
        ISO 3950 sextant 03–08; None when upper or lower, or left and right, is not known.
    side : str or None
        ``facial`` or ``lingual``; None when the front is a guess.
    words : str
        For the person with the scanner.
    """

    sextant: str | None
    side: str | None
    words: str


def side_words(sextant: str | None, side: str | None) -> str:
    """Return how people at the chair call a side: cheek, lip, tongue or palate."""
    if side == "facial":
        if sextant is None:
            return "outer side"
        return "lip side" if sextant in ("04", "07") else "cheek side"
    if side == "lingual":
        if sextant is None:
            return "inner side"
        return "palate side" if sextant in ("03", "04", "05") else "tongue side"
    return ""


def tooth_words(tooth: int) -> str:
    """Return a tooth in words, such as ``lower left canine``, ``upper right first primary molar``.

    ``tooth`` is its ISO 3950 number.
    """
    quadrant, number = divmod(permanent(tooth), 10)
    jaw = "upper" if quadrant in (1, 2) else "lower"
    half = "right" if quadrant in (1, 4) else "left"
    kinds = _TOOTH_WORDS if tooth == permanent(tooth) else _PRIMARY_WORDS
    return f"{jaw} {half} {kinds[number - 1]}"


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
        local = self._frame.to_local(np.atleast_2d(point))
        teeth, sextants, outside = self._locate(local)
        sextant = SEXTANTS[sextants[0]] if sextants[0] >= 0 else None
        side = "facial" if outside[0] else "lingual"
        tooth = int(teeth[0])
        if not self._frame.front_seen:
            # With the front, outside and inside of the row may be taken for each other.
            return Place(None, None, "where the picture shows it")
        if tooth:
            where = f"{self._beside(local[0], tooth)} the {tooth_words(tooth)}"
        elif sextant:
            where = sextant_words(sextant)
        else:
            where = "front teeth" if local[0, 1] > -self._front_mm else "back teeth"
        return Place(sextant, side, f"{where}, {side_words(sextant, side)}")

    def many(self, points: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return for points (n, 3) the index into ``SEXTANTS`` (-1: unknown) and whether facial."""
        _, sextants, outside = self._locate(self._frame.to_local(points))
        return sextants, outside

    @property
    def _front_mm(self) -> float:
        """How far the front sextant reaches back from the front edge."""
        return 0.24 * self._frame.depth_mm

    def _locate(
        self, local: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """Return tooth numbers (0: none), sextant indices and whether facial."""
        arch = self._frame.arch
        named = self._frame.sides_known
        count = len(local)
        teeth = np.zeros(count, dtype=np.int64)
        sextants = np.full(count, -1, dtype=np.int64)
        if named:
            right = local[:, 0] > 0.0
            back = np.where(right, 0, 2) if arch == "upper" else np.where(right, 5, 3)
            front = 1 if arch == "upper" else 4
            sextants = np.where(local[:, 1] > -self._front_mm, front, back)
            if self._numbers:
                _, nearest = cKDTree(self._centres[:, :2]).query(local[:, :2])
                teeth = np.array(self._numbers)[nearest]
                table = np.array([SEXTANTS.index(sextant_of(n)) for n in self._numbers])
                sextants = table[nearest]
        return teeth, sextants, self._outside(local)

    def _beside(self, local: NDArray[np.float64], tooth: int) -> str:
        """Return ``at`` or, past the last tooth, ``behind``."""
        centre = self._centres[self._numbers.index(tooth)]
        quadrant = permanent(tooth) // 10
        last = max(
            (n for n in self._numbers if permanent(n) // 10 == quadrant), key=lambda n: n % 10
        )
        return "behind" if tooth == last and local[1] < centre[1] - 5.0 else "at"

    def _outside(self, local: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell the cheek and lip side from the inside of the row of teeth."""
        if len(self._centres) >= 3:
            return _outside_row(local, self._centres)
        half, depth = max(self._frame.width_mm / 2.0, 1.0), max(self._frame.depth_mm, 1.0)
        return np.asarray(local[:, 1] > -depth * (local[:, 0] / half) ** 2)


def _outside_row(local: NDArray[np.float64], centres: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Compare distances from the middle of the arch along the ray through each point."""
    middle = np.array([0.0, centres[:, 1].min()])
    seen = local[:, :2] - middle
    rays = centres[:, :2] - middle
    lengths = np.linalg.norm(rays, axis=1)
    turn = np.arctan2(rays[:, 0], rays[:, 1])
    order = np.argsort(turn)
    angle = np.arctan2(seen[:, 0], seen[:, 1])
    radius = np.interp(angle, turn[order], lengths[order])
    # Behind the last teeth the row goes on straight back.
    wide = np.where(seen[:, 0] > 0.0, rays[:, 0].max(), -rays[:, 0].min())
    behind = (angle > turn.max()) | (angle < turn.min())
    return np.asarray(
        np.where(behind, np.abs(seen[:, 0]) > wide, np.linalg.norm(seen, axis=1) > radius)
    )

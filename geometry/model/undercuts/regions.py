"""Where on the arch undercuts lie: teeth, gaps and embrasures by name."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.dentition import Dentition
from geometry.errors import GeometryError
from geometry.frame import Frame
from geometry.inspection.place import SEXTANTS, Placer
from geometry.model.pose import CROWN_RISE

Array = NDArray[np.float64]

BETWEEN_TEETH = 1.4
LEAST = 0.3
TOOTH_REACH = 7.0
"""Half of the widest molar (Wheeler's tables, from memory) and a little, mm."""


class Misplaced(GeometryError):
    """A model that cannot be made because of one place.

    Parameters
    ----------
    at : (3,) float64
        The place, model axes.
    words : str
        What is wrong and what helps, with ``{}`` for where.
    """

    def __init__(self, at: Array, words: str) -> None:
        self._at, self._words = at, words
        super().__init__(words.format(_coordinates(at)))

    def named(self, places: Places) -> GeometryError:
        """Return the error with the place by name, where names are known."""
        return GeometryError(self._words.format(places.name(self._at)))


def _coordinates(point: Array) -> str:
    x, y, z = point
    return f"at ({x:.0f}, {y:.0f}, {z:.0f}) mm in model axes"


class Places:
    """Names places of a model.

    Parameters
    ----------
    frame : Frame or None
        Without one, places have no names.
    dentition : Dentition or None
    move : (4, 4) float64
        From file to model.
    """

    def __init__(self, frame: Frame | None, dentition: Dentition | None, move: Array) -> None:
        self._back = np.linalg.inv(move)
        teeth = dentition.teeth if dentition else ()
        centres = {tooth.number: tooth.centre for tooth in teeth}
        self._placer = Placer(frame, centres) if isinstance(frame, Frame) else None
        spots: list[tuple[str, Array, float, str]] = []
        known: set[tuple[int, int]] = set()
        for gap in dentition.gaps if dentition else ():
            name = f"between {gap.between[0]} and {gap.between[1]}"
            spots.append((gap.kind, gap.centre, 0.5 * gap.width_mm + 1.5, name))
            known.add(gap.between)
        for first, second in pairwise(teeth):
            pair = (first.number, second.number)
            if pair in known:
                continue
            # The contact lies between the centres, in the ratio of the widths.
            share = first.width_mm / (first.width_mm + second.width_mm)
            middle = first.centre + share * (second.centre - first.centre)
            spots.append(("embrasure", middle, BETWEEN_TEETH, f"between {pair[0]} and {pair[1]}"))
        for tooth in teeth:
            spots.append(("gingiva", tooth.centre, np.inf, f"at {tooth.number}"))
        self._tips = np.array([tooth.centre for tooth in teeth]).reshape(-1, 3)
        self._tips = self._tips @ move[:3, :3].T + move[:3, 3]
        self._kinds = [spot[0] for spot in spots]
        self._names = [spot[3] for spot in spots]
        self._reach = np.array([spot[2] for spot in spots])
        centre = np.array([spot[1] for spot in spots]).reshape(-1, 3)
        self._centres = (centre @ move[:3, :3].T + move[:3, 3])[:, :2]

    def to_file(self, points: Array) -> Array:
        """Return model points in file coordinates."""
        return np.asarray(points @ self._back[:3, :3].T + self._back[:3, 3])

    def at_teeth(self, points: Array) -> NDArray[np.bool_]:
        """Mark the points (n, 3) that a crown may reach to; all, where no tooth is known.

        A cheek or lip that was scanned along stands beside or over them.
        """
        if not len(self._tips) or not len(points):
            return np.ones(len(points), dtype=bool)
        far, nearest = cKDTree(self._tips[:, :2]).query(points[:, :2])
        return np.asarray(
            (far < TOOTH_REACH) & (points[:, 2] < self._tips[nearest, 2] + CROWN_RISE)
        )

    def sextants(self, points: Array) -> NDArray[np.int64]:
        """Index into ``SEXTANTS`` for model points, -1 where unknown."""
        if self._placer is None or not len(points):
            return np.full(len(points), -1, dtype=np.int64)
        return self._placer.many(self.to_file(points))[0]

    def _spots(self, points: Array) -> NDArray[np.int64]:
        """Index of the gap, embrasure or tooth at each model point, -1 where none is known."""
        if not len(self._centres):
            return np.full(len(points), -1)
        far = np.linalg.norm(points[:, None, :2] - self._centres[None], axis=2)
        narrow = np.where(np.isfinite(self._reach), far, np.inf)
        near_narrow = narrow.argmin(axis=1)
        fits = narrow.min(axis=1) <= self._reach[near_narrow]
        wide = np.where(np.isfinite(self._reach), np.inf, far).argmin(axis=1)
        return np.where(fits, near_narrow, wide)

    def name(self, point: Array) -> str:
        """Name the place of a model point in words."""
        spot = int(self._spots(point[None])[0])
        if spot >= 0 and self._placer is not None:
            side = self._placer(self.to_file(point[None])[0]).side
            return self._names[spot] + (f", {side} side" if side else "")
        return _coordinates(point)

    def regions(
        self, points: Array, volume: float, depth: Array, under_parts: NDArray[np.bool_]
    ) -> list[dict[str, Any]]:
        """Group undercut points by place and side.

        Parameters
        ----------
        points : (n, 3) float64
            Centres of equal cells of undercut, model axes.
        volume : float
            Of one cell, mm³.
        depth : (n,) float64
            Undercut depth of each, mm.
        under_parts : (n,) bool
            Whether something that stands out of a crown lies over it.

        Returns
        -------
        One dict a place, largest first: sextant, side, kind (embrasure, space,
        missing, gingiva or part), name, volume_mm3, depth_max_mm, centre (model axes)
        and words.
        """
        if not len(points):
            return []
        spot = self._spots(points)
        sextant = self.sextants(points)
        outside = np.zeros(len(points), dtype=bool)
        if self._placer is not None:
            outside = self._placer.many(self.to_file(points))[1]
        key = (spot + 1) * 64 + under_parts * 32 + (sextant + 1) * 2 + outside
        out = []
        for value in np.unique(key):
            mine = key == value
            size = float(mine.sum()) * volume
            if size < LEAST:
                continue
            out.append(
                self._region(
                    points[mine],
                    size,
                    depth[mine],
                    int(spot[mine][0]),
                    int(sextant[mine][0]),
                    bool(outside[mine][0]),
                    bool(under_parts[mine][0]),
                )
            )
        out.sort(key=lambda region: (-region["volume_mm3"], region["words"]))
        return out

    def _region(
        self, points: Array, size: float, depth: Array, spot: int, sextant: int, outside: bool,
        under_part: bool,
    ) -> dict[str, Any]:  # fmt: skip
        centre = points.mean(axis=0)
        deepest = float(depth.max())
        words = "undercut"
        side = None
        if self._placer is not None:
            place = self._placer(self.to_file(centre[None])[0])
            words, side = place.words, "facial" if outside else "lingual"
        kind = self._kinds[spot] if spot >= 0 else "gingiva"
        if under_part:
            kind = "part"
        label = {
            "gingiva": "gum",
            "embrasure": "embrasure",
            "space": "space",
            "missing": "missing tooth",
            "part": "under something standing out of the crown",
        }[kind]
        return {
            "sextant": SEXTANTS[sextant] if sextant >= 0 else None,
            "side": side,
            "kind": kind,
            "name": self._names[spot] if spot >= 0 else "",
            "volume_mm3": round(size, 2),
            "depth_max_mm": round(deepest, 2),
            "centre": [round(float(v), 2) for v in centre],
            "words": f"{label}: {words}; {size:.1f} mm³, up to {deepest:.1f} mm deep",
        }

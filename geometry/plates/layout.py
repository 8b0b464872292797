"""Models placed on a plate: checked exactly, drawn, and written as one file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from geometry.mesh import Mesh
from geometry.plates.threemf import Part, write_threemf
from geometry.reading import write_stl

TOUCH_MM = 1e-6
"""Rounding of coordinates when a gap is judged."""


@dataclass(frozen=True)
class Item:
    """A model to be placed.

    Attributes
    ----------
    name : str
        Its code; never a patient's name.
    solid : Mesh
        Standing on the plate, mm.
    outline : (n, 2) array, optional
        Its footprint when it was computed before (see :func:`geometry.plates.footprint`).
    """

    name: str
    solid: Mesh
    outline: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Placement:
    """Where a model stands: turned about its own origin, then shifted by (x, y).

    Plate coordinates in mm from its front left corner.
    """

    index: int
    name: str
    x: float
    y: float
    turn_deg: float

    @property
    def motion(self) -> NDArray[np.float64]:
        """The 4 × 4 rigid motion."""
        turn = np.radians(self.turn_deg)
        c, s = np.cos(turn), np.sin(turn)
        out = np.eye(4)
        out[:2, :2] = [[c, -s], [s, c]]
        out[:2, 3] = self.x, self.y
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return it ready for JSON."""
        return {
            "index": self.index, "name": self.name,
            "x": self.x, "y": self.y, "turn_deg": self.turn_deg,
        }  # fmt: skip


@dataclass(frozen=True)
class Layout:
    """A plate.

    Attributes
    ----------
    items : sequence of Item
        All that were asked for.
    footprints : sequence of shapely.Polygon
        Of each item, in its own coordinates.
    plate : (width, depth), mm
    gap : float, mm
    placed : list of Placement
        By item.
    left_out : dict of int to str
        Why an item is not on the plate.
    """

    items: Sequence[Item]
    footprints: Sequence[shapely.Polygon]
    plate: tuple[float, float]
    gap: float
    placed: list[Placement]
    left_out: dict[int, str] = field(default_factory=dict)

    @property
    def placements(self) -> list[dict[str, Any]]:
        """``index, name, x, y, turn_deg`` of the models on the plate."""
        return [p.as_dict() for p in self.placed]

    @property
    def unplaced(self) -> list[dict[str, Any]]:
        """``index, name, reason`` of the models that are not."""
        return [
            {"index": k, "name": self.items[k].name, "reason": self.left_out[k]}
            for k in sorted(self.left_out)
        ]

    @cached_property
    def outlines(self) -> list[shapely.Polygon]:
        """Footprints on the plate, in the order of ``placements``."""
        return [placed_outline(self.footprints[p.index], p) for p in self.placed]

    def conflicts(self) -> list[dict[str, Any]]:
        """Return what is wrong with the layout, measured exactly.

        Returns
        -------
        list of dict
            ``{"kind": "gap", "first", "second", "distance_mm"}`` for models nearer than the
            gap and ``{"kind": "edge", "first", "beyond_mm"}`` for models beyond the edge.
        """
        out: list[dict[str, Any]] = []
        width, depth = self.plate
        shapes = self.outlines
        for k, shape in enumerate(shapes):
            low_x, low_y, high_x, high_y = shape.bounds
            beyond = max(-low_x, -low_y, high_x - width, high_y - depth)
            if beyond > TOUCH_MM:
                out.append({"kind": "edge", "first": self.placed[k].index, "beyond_mm": beyond})
            for j in range(k):
                apart = float(shape.distance(shapes[j]))
                if apart < self.gap - TOUCH_MM:
                    first, second = sorted((self.placed[j].index, self.placed[k].index))
                    out.append(
                        {"kind": "gap", "first": first, "second": second, "distance_mm": apart}
                    )
        return out

    @cached_property
    def _parts(self) -> list[Part]:
        parts = []
        for p in self.placed:
            solid = self.items[p.index].solid
            motion = p.motion
            motion[2, 3] = -float(solid.vertices[:, 2].min())
            parts.append(Part(p.name, solid, motion))
        return parts

    @property
    def height_mm(self) -> float:
        """Height of the tallest model; 0 on an empty plate."""
        tops = [float(np.ptp(self.items[p.index].solid.vertices[:, 2])) for p in self.placed]
        return max(tops, default=0.0)

    @cached_property
    def report(self) -> dict[str, Any]:
        """What a program wants to know, ready for JSON."""
        gaps = [
            float(a.distance(b)) for k, a in enumerate(self.outlines) for b in self.outlines[:k]
        ]
        width, depth = self.plate
        return {
            "plate_mm": [width, depth],
            "gap_mm": self.gap,
            "models": len(self.items),
            "placed": self.placements,
            "unplaced": self.unplaced,
            "used_share": sum(s.area for s in self.outlines) / (width * depth),
            "least_gap_mm": min(gaps) if gaps else None,
            "height_mm": self.height_mm,
        }

    def threemf(self) -> bytes:
        """Return the plate as 3MF, each model named; same layout, same bytes."""
        return write_threemf(self._parts)

    def stl(self) -> bytes:
        """Return the plate as one binary STL (which holds no names)."""
        points, faces, count = [], [], 0
        for part in self._parts:
            moved = part.solid.transformed(part.transform)
            points.append(moved.vertices)
            faces.append(moved.faces + count)
            count += len(moved.vertices)
        if not points:
            return write_stl(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32)))
        return write_stl(Mesh(np.concatenate(points), np.concatenate(faces).astype(np.int32)))


def placed_outline(outline: shapely.Polygon, placement: Placement) -> shapely.Polygon:
    """Return a footprint where the placement puts it."""
    m = placement.motion
    return affinity.affine_transform(
        outline, [m[0, 0], m[0, 1], m[1, 0], m[1, 1], placement.x, placement.y]
    )

"""Place models on a printer's plate by their true footprints, turned freely.

What fits in plain rows stands in rows (:mod:`geometry.plates.rows`). Else models are added
one by one (:mod:`geometry.plates.placing`). The search works on distance fields; a layout
counts only when shapely measures every gap as kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.plates.layout import Item, Layout, Placement
from geometry.plates.outline import footprint
from geometry.plates.overlap import CLEAR_MM
from geometry.plates.placing import SLACKS_MM, Placing
from geometry.plates.rows import in_rows
from geometry.plates.shapes import Shape

LARGEST_PLATE_MM = 2000.0
LARGEST_GAP_MM = 50.0
MOST_ITEMS = 200


def nest(
    items: Sequence[Item],
    plate: tuple[float, float] = (192.0, 120.0),
    gap: float = 2.0,
    *,
    seed: int = 0,
    seconds: float | None = None,
) -> Layout:
    """Place as many models as can be found to fit.

    Parameters
    ----------
    items : sequence of Item
        Most urgent first: when not all fit, earlier ones are placed.
    plate : (width, depth)
        mm.
    gap : float
        Least distance between models, mm. The plate's edge may be touched.
    seed : int
    seconds : float, optional
        Search so long when not all fit. Left out, a fixed effort is spent: a few seconds
        at most, and the same layout comes out every time.

    Returns
    -------
    Layout

    Raises
    ------
    GeometryError
        When the plate or the gap makes no sense, or a model has no footprint.
    """
    width, depth = check_plate(items, plate, gap)
    footprints = footprints_of(items)
    layout = Layout(items, footprints, (width, depth), gap, [])
    shifts = in_rows(footprints, (width, depth), gap) if items else None
    if shifts is not None:
        layout.placed.extend(
            Placement(k, item.name, float(x), float(y), 0.0)
            for k, (item, (x, y)) in enumerate(zip(items, shifts, strict=True))
        )
        return layout
    kinds, shapes = kinds_of(items, footprints, gap)
    if not shapes:
        return layout
    work = Placing(shapes, width, depth, gap, seed, seconds)
    failed_area = math.inf
    grown_plate = (width + gap) * (depth + gap)
    used = 0.0
    chosen: list[int] = []
    for k in range(len(items)):
        shape = shapes[kinds[k]]
        needs = float(shape.outline.buffer(gap / 2.0).area)
        if not _fits_alone(shape.outline, width - 2.0 * SLACKS_MM[0], depth - 2.0 * SLACKS_MM[0]):
            layout.left_out[k] = "larger than the plate"
        elif used + needs > grown_plate or shape.outline.area >= 0.98 * failed_area:
            layout.left_out[k] = "the plate is full"
        elif work.insert(kinds[k], partial(keeps_all, layout, shapes, kinds, [*chosen, k])):
            chosen.append(k)
            used += needs
        else:
            layout.left_out[k] = "the plate is full"
            failed_area = min(failed_area, float(shape.outline.area))
    layout.placed.extend(placements_of(items, shapes, kinds, chosen, work.poses))
    return layout


def check_plate(
    items: Sequence[Item], plate: tuple[float, float], gap: float
) -> tuple[float, float]:
    """Return (width, depth); raise GeometryError when a size makes no sense."""
    if len(items) > MOST_ITEMS:
        raise GeometryError(f"{len(items)} models at once; nest at most {MOST_ITEMS}")
    width, depth = (float(side) for side in plate)
    for side in (width, depth):
        if not math.isfinite(side) or not 0.0 < side <= LARGEST_PLATE_MM:
            raise GeometryError(
                f"a plate of {width:g} x {depth:g} mm makes no sense; "
                f"use sides up to {LARGEST_PLATE_MM:g} mm"
            )
    if not math.isfinite(gap) or not 0.0 <= gap <= LARGEST_GAP_MM:
        raise GeometryError(f"a gap of {gap:g} mm is out of range; use 0 to {LARGEST_GAP_MM:g} mm")
    return width, depth


def footprints_of(items: Sequence[Item]) -> list[shapely.Polygon]:
    """Return the outlines that items bring, or those of their solids.

    A solid that comes more than once is looked at once.
    """
    known: dict[int, shapely.Polygon] = {}
    out = []
    for item in items:
        if item.outline is not None:
            polygon = shapely.Polygon(item.outline)
            if not polygon.is_valid or polygon.area <= 0.0:
                raise GeometryError(f"{item.name}: the outline crosses itself; compute it again")
        elif id(item.solid) in known:
            polygon = known[id(item.solid)]
        else:
            try:
                polygon = known[id(item.solid)] = footprint(item.solid)
            except GeometryError as error:
                raise GeometryError(f"{item.name}: {error}") from error
        out.append(polygon)
    return out


def kinds_of(
    items: Sequence[Item], footprints: Sequence[shapely.Polygon], gap: float
) -> tuple[list[int], list[Shape]]:
    """Return the shape number of each item; items of one mesh share a shape."""
    numbers: dict[int, int] = {}
    kinds, shapes = [], []  # type: ignore[var-annotated]
    reach = gap + SLACKS_MM[0] + CLEAR_MM
    for item, outline in zip(items, footprints, strict=True):
        if id(item.solid) not in numbers:
            numbers[id(item.solid)] = len(shapes)
            shapes.append(Shape.of(outline, reach))
        kinds.append(numbers[id(item.solid)])
    return kinds, shapes


def _fits_alone(outline: shapely.Polygon, width: float, depth: float) -> bool:
    """Whether some turn brings the outline within the plate."""
    corners = np.asarray(outline.convex_hull.exterior.coords)
    turns = np.radians(np.arange(0.0, 180.0, 0.5))
    across = corners @ np.stack([np.cos(turns), np.sin(turns)])
    along = corners @ np.stack([-np.sin(turns), np.cos(turns)])
    return bool(((np.ptp(across, axis=0) <= width) & (np.ptp(along, axis=0) <= depth)).any())


def placements_of(
    items: Sequence[Item],
    shapes: Sequence[Shape],
    kinds: Sequence[int],
    chosen: Sequence[int],
    poses: NDArray[np.float64],
) -> list[Placement]:
    """Return where the chosen items stand when their shapes have these poses."""
    out = []
    for k, (x, y, turn) in zip(chosen, poses, strict=True):
        centre = shapes[kinds[k]].centre
        c, s = math.cos(turn), math.sin(turn)
        out.append(
            Placement(
                index=k,
                name=items[k].name,
                x=float(x - (c * centre[0] - s * centre[1])),
                y=float(y - (s * centre[0] + c * centre[1])),
                turn_deg=float(np.degrees(turn) % 360.0),
            )
        )
    return out


def keeps_all(
    layout: Layout,
    shapes: Sequence[Shape],
    kinds: Sequence[int],
    chosen: Sequence[int],
    poses: NDArray[np.float64],
) -> bool:
    """Whether the chosen items, in these poses, keep gap and edge; measured exactly."""
    placed = placements_of(layout.items, shapes, kinds, chosen, poses)
    return not Layout(layout.items, layout.footprints, layout.plate, layout.gap, placed).conflicts()

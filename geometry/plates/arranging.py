"""A plate as a person arranged it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from geometry.errors import GeometryError
from geometry.plates.layout import Item, Layout, Placement
from geometry.plates.nesting import check_plate, footprints_of, keeps_all, kinds_of, placements_of
from geometry.plates.placing import Placing


def arrange(
    items: Sequence[Item],
    placements: Sequence[Placement],
    plate: tuple[float, float],
    gap: float = 2.0,
) -> Layout:
    """Return the layout that the placements give; ``conflicts()`` tells what is wrong.

    Parameters
    ----------
    items : sequence of Item
    placements : sequence of Placement
        At most one for each item; items without one are left out.
    plate, gap
        As for :func:`geometry.plates.nest`.

    Raises
    ------
    GeometryError
        When a placement names no item or an item twice.
    """
    size = check_plate(items, plate, gap)
    indices = [p.index for p in placements]
    if len(set(indices)) < len(indices) or not set(indices) <= set(range(len(items))):
        raise GeometryError("a placement names no model or a model twice; load the plate again")
    left = {k: "no place was given" for k in range(len(items)) if k not in indices}
    footprints = footprints_of(items)
    return Layout(items, footprints, size, gap, list(placements), left)


def move_apart(layout: Layout) -> Layout:
    """Return the layout with models that stand too near moved apart, as little as it takes.

    Raises
    ------
    GeometryError
        When no room is found.
    """
    if not layout.conflicts():
        return layout
    chosen = [p.index for p in layout.placed]
    numbers, shapes = kinds_of(layout.items, layout.footprints, layout.gap)
    poses = []
    for placement in layout.placed:
        centre = placement.motion[:2, :2] @ shapes[numbers[placement.index]].centre
        turn = np.radians(placement.turn_deg)
        poses.append((placement.x + centre[0], placement.y + centre[1], turn))
    found = Placing(shapes, *layout.plate, layout.gap, 0, None).part(
        np.array([numbers[k] for k in chosen]),
        np.array(poses),
        partial(keeps_all, layout, shapes, numbers, chosen),
    )
    if found is None:
        raise GeometryError(
            "no room was found; move a model further, or take one off and nest again"
        )
    placed = placements_of(layout.items, shapes, numbers, chosen, found)
    return Layout(
        layout.items, layout.footprints, layout.plate, layout.gap, placed, dict(layout.left_out)
    )

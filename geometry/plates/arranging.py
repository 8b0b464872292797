"""A plate as a person arranged it."""

from __future__ import annotations

from collections.abc import Sequence

from geometry.errors import GeometryError
from geometry.plates.layout import Item, Layout, Placement
from geometry.plates.nesting import check_plate, footprints_of


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
    left = {k: "taken off" for k in range(len(items)) if k not in indices}
    footprints = footprints_of(items)
    return Layout(items, footprints, size, gap, list(placements), left)

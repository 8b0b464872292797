"""Give back what a scan shows from above and its closing gave up.

Where a border folds, walls under it would cross the surface, and some of the surface beside it
is given up. What of that is seen from above stands over nothing else of the scan that is seen:
upright columns under it are all that it takes to have it on the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import manifold3d
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from geometry.errors import GeometryError
from geometry.model.base.assembling import Closed
from geometry.model.base.borders import taken_spots
from geometry.model.bodies.solids import as_written, bent, to_manifold
from geometry.model.bodies.uniting import unite
from geometry.model.surface.halfedges import Faces, genus
from geometry.model.surface.kinds import BASE, SCAN
from geometry.model.surface.mending import Spot, joined_spots
from geometry.model.surface.skin import Skin
from geometry.model.undercuts.heights import Grid, top_heights

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]

PITCH = 0.1
"""Of the columns, mm: gum is smooth, and between columns the surface is off by some hundredths."""
SHORT = 0.06
"""A column that ends so far, mm, under the scan's surface has lost it."""
WORTH, LEAST = 0.25, 0.15
"""Places are rebuilt that lost more than this, mm, on more than this, mm²."""
RING = 10
"""So many columns around a place are built too, just under the surface, and join it to the rest."""
TOLD = 4
"""So many of them count to the place when it is told."""
STEEP = 0.3
"""Between columns of the ring the surface rises no more than this, mm: elsewhere it overhangs."""
SUNK = 0.02
SMALL_GAP = 1.0
"""Gaps within a place, mm², that are closed."""
CROWN_MM, MOST_OF_CROWNS = 5.5, 60.0
"""Of what stands this near to the top, mm, no more than so much, mm² in plan, is built up: columns
have no undercut, and crowns that are lost altogether are better scanned again."""
TRIALS = 8
"""So often places are joined, all at once or, where that fails, in halves."""
SIMPLIFIED = 0.004
NOTHING = -1e3


def restore(solid: Closed, cut: Skin) -> None:
    """Build up what a closed solid lacks of the surface it was made of, in place.

    Parameters
    ----------
    solid : Closed
        Stands on z = 0; rounded as a file holds it where anything is built.
    cut : Skin
        The surface before anything of it was given up, model axes.
    """
    places = _missing(cut, solid)
    if not places:
        return
    v, f = as_written(solid.vertices, solid.faces)
    before = genus(f)
    # What cannot be joined all at once may be joined but for one place.
    waiting = [places]
    for _ in range(TRIALS):
        if not waiting:
            return
        group = waiting.pop()
        try:
            body = manifold3d.Manifold.batch_boolean(
                [place.body for place in group], manifold3d.OpType.Add
            )
            made_v, made_f, spots = unite(v, f, body, everywhere=False)
            fits = 0 <= genus(made_f) <= before
        except GeometryError:
            fits = False
        if not fits:
            if len(group) > 1:
                half = len(group) // 2
                waiting += [group[half:], group[:half]]
            continue
        v, f = solid.vertices, solid.faces = made_v, made_f
        solid.kind = np.where(v[f, 2].max(axis=1) > 0.0, SCAN, BASE).astype(np.int8)
        rebuilt = [spot for place in group for spot in place.spots]
        solid.spots = joined_spots([*solid.spots, *rebuilt, *spots])


@dataclass(frozen=True, slots=True)
class _Place:
    """An upright body under what is lost in one place, and where it is seen."""

    body: manifold3d.Manifold
    spots: list[Spot]


def _missing(cut: Skin, solid: Closed) -> list[_Place]:
    """Return what is to be built up again."""
    grid = Grid.over(cut.vertices, PITCH, 2.0 * PITCH)
    top = top_heights(cut.vertices, cut.faces, grid, NOTHING).astype(np.float64)
    stands = top_heights(solid.vertices, solid.faces, grid, 0.0)
    there = top > NOTHING
    short = np.where(there, top - stands, 0.0)
    lost = _worth_while(short)
    crowns = lost & (top > cut.vertices[:, 2].max() - CROWN_MM)
    if not lost.any() or crowns.sum() * PITCH**2 > MOST_OF_CROWNS:
        return []
    columns = _with_ring(lost, top, there)
    low = ndimage.grey_erosion(np.where(there, top, np.inf), size=(3, 3)) - SUNK
    height = np.where(lost, top, low)
    # Nothing of the scan lies over the gaps: they are closed as far down as what is around them.
    gaps = columns & ~(there & np.isfinite(low))
    around = ndimage.grey_erosion(np.where(columns & ~gaps, height, np.inf), size=(9, 9))
    height[gaps] = around[gaps]
    columns &= np.isfinite(height) & (height > SUNK)
    cells = columns[:-1, :-1] & columns[1:, :-1] & columns[:-1, 1:] & columns[1:, 1:]
    _part_corners(cells)
    place, count = ndimage.label(cells)
    # What was parted from a place and lost little is only its ring.
    area = np.bincount(place[lost[:-1, :-1]], minlength=count + 1) * PITCH**2
    # Of the ring too: it can bury a little under overhangs.
    beside = ndimage.binary_dilation(lost, iterations=TOLD)
    return [
        _Place(
            bent(to_manifold(*_body(place == number, height, grid)).simplify(SIMPLIFIED)),
            _seen(beside[:-1, :-1] & (place == number), height, grid),
        )
        for number in range(1, count + 1)
        if area[number] > LEAST
    ]


def _seen(cells: Marks, height: Array, grid: Grid) -> list[Spot]:
    """Return where a body is seen: between columns it may lie off by some hundredths."""
    i, j = np.nonzero(cells)
    plan = np.column_stack((grid.x0 + PITCH * (i + 0.5), grid.y0 + PITCH * (j + 0.5)))
    return taken_spots(np.column_stack((plan, height[i, j])))


def _worth_while(short: Array) -> Marks:
    """Mark the columns of places that lost enough to be rebuilt."""
    place, count = ndimage.label(short > SHORT, np.ones((3, 3)))
    worst = np.zeros(count + 1)
    np.maximum.at(worst, place.ravel(), short.ravel())
    area = np.bincount(place.ravel(), minlength=count + 1) * PITCH**2
    good = (worst > WORTH) & (area > LEAST)
    good[0] = False
    return np.asarray(good[place])


def _with_ring(lost: Marks, top: Array, there: Marks) -> Marks:
    """Add the columns around places, as far as the surface goes on there, and small gaps."""
    out = lost.copy()
    for _ in range(RING):
        more = np.zeros_like(out)
        for shift, axis in ((1, 0), (-1, 0), (1, 1), (-1, 1)):
            beside = np.abs(top - np.roll(top, shift, axis)) < STEEP
            more |= np.roll(out, shift, axis) & beside & there
        out |= more
    gap, count = ndimage.label(ndimage.binary_fill_holes(out) & ~out)
    small = np.bincount(gap.ravel(), minlength=count + 1) * PITCH**2 < SMALL_GAP
    small[0] = False
    return np.asarray(out | small[gap])


def _part_corners(cells: Marks) -> None:
    """Take cells away until none touch in a corner only."""
    while True:
        a, b, c, d = cells[:-1, :-1], cells[1:, 1:], cells[1:, :-1], cells[:-1, 1:]
        rising, falling = a & b & ~c & ~d, c & d & ~a & ~b
        if not (rising.any() or falling.any()):
            return
        cells[:-1, :-1] &= ~rising
        cells[1:, :-1] &= ~falling


def _body(cells: Marks, height: Array, grid: Grid) -> tuple[Array, Faces]:
    """Return the closed surface of what stands under some cells between columns, down to z = 0."""
    i, j = np.nonzero(cells)
    a = i * grid.ny + j
    b, c, d = a + grid.ny, a + grid.ny + 1, a + 1
    top = np.concatenate((np.column_stack((a, b, c)), np.column_stack((a, c, d))))
    used, numbered = np.unique(top, return_inverse=True)
    top = numbered.reshape(-1, 3)
    count = len(used)
    plan = np.column_stack(
        (grid.x0 + PITCH * (used // grid.ny), grid.y0 + PITCH * (used % grid.ny))
    )
    low = np.column_stack((plan, np.zeros(count)))
    high = np.column_stack((plan, height.ravel()[used]))
    edges = np.concatenate([top[:, [m, n]] for m, n in pairwise((0, 1, 2, 0))])
    both = edges[:, 0] * count + edges[:, 1], edges[:, 1] * count + edges[:, 0]
    start, end = edges[~np.isin(both[0], both[1])].T
    sides = np.concatenate(
        (
            np.column_stack((end, start, start + count)),
            np.column_stack((end, start + count, end + count)),
        )
    )
    faces = np.concatenate((top, top[:, ::-1] + count, sides))
    return np.vstack((high, low)), faces.astype(np.int32)

"""Fill undercuts of a solid, or list them for the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import manifold3d
import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.model.bodies.solids import bent, to_manifold
from geometry.model.surface.halfedges import Faces
from geometry.model.undercuts.filling import fill_body
from geometry.model.undercuts.ledges import Ledge, under_ledges
from geometry.model.undercuts.regions import Places
from geometry.model.undercuts.shadow import Shadow, cast_shadow, deep_air, undercut_volume

Array = NDArray[np.float64]

SIMPLIFIED = 0.006
BENCH_DEPTH = 0.25
SPECK = 0.02
# Ridges of depth between the lattice's points are found by their slopes.
SLOPE = 0.08


@dataclass(slots=True)
class BlockOut:
    """Undercut of a solid and what fills it.

    Attributes
    ----------
    depth : float or None
        Depth left open, mm; None when nothing is filled.
    surface : (vertices, faces) or None
        Closed surface of what is to be united with the solid.
    shadow : Shadow
        Undercut of the solid before.
    pockets : (nx, ny, levels) bool
        Lattice points in air that the fill is shaped around; without a fill, those
        deeper than the depth.
    first_mm3 : float
        Undercut beyond the depth before filling.
    regions : list of dict
    ledges : list of Ledge
        Of what stands out of crowns; where plastic may have to grip they are spared.
    spared_mm3 : float
        Undercut beyond the depth under the spared ledges, which is no part of the rest.
    """

    depth: float | None
    surface: tuple[Array, Faces] | None
    shadow: Shadow
    pockets: NDArray[np.bool_]
    first_mm3: float
    regions: list[dict[str, Any]] = field(default_factory=list)
    ledges: list[Ledge] = field(default_factory=list)
    spared_mm3: float = 0.0

    @property
    def spared(self) -> list[Ledge]:
        """Ledges under which nothing is filled, since plastic has to grip there."""
        return [ledge for ledge in self.ledges if ledge.grips]

    @property
    def body(self) -> manifold3d.Manifold | None:
        """What is to be united with the solid, as few triangles as will do."""
        if self.surface is None:
            return None
        return bent(to_manifold(*self.surface).simplify(SIMPLIFIED))


def block_out(
    vertices: Array,
    faces: Faces,
    depth: float | None,
    places: Places,
    step: float,
    ledges: Sequence[Ledge] = (),
) -> BlockOut:
    """Find what lies deeper under overhangs than ``depth``, and shape what fills it.

    Parameters
    ----------
    vertices, faces
        Closed solid standing on z = 0.
    depth : float or None
        None lists what is deeper than 0.25 mm and fills nothing.
    places : Places
    step : float
        Lattice distance, mm.
    ledges : sequence of Ledge
        What stands out of a crown over those that grip throws no shadow.
    """
    beyond = BENCH_DEPTH if depth is None else depth
    spared = [ledge for ledge in ledges if ledge.grips]
    shadow = cast_shadow(vertices, faces, beyond, step, spared=spared)
    pockets = deep_air(shadow, beyond, SPECK)
    i, j, k = np.nonzero(pockets)
    grid = shadow.grid
    points = np.column_stack((grid.x0 + i * step, grid.y0 + j * step, k * step))
    row = np.searchsorted(shadow.cells, i * grid.ny + j)
    under_parts = under_ledges([ledge for ledge in ledges if not ledge.grips], points)
    regions = places.regions(points, step**3, shadow.depths_of(row, k), under_parts)
    first = undercut_volume(shadow, beyond)
    more = 0.0
    if spared:
        more = undercut_volume(cast_shadow(vertices, faces, beyond, step), beyond) - first
    surface = None
    if depth is not None and first > 0.0:
        pockets = deep_air(shadow, max(depth - SLOPE, 0.0), 0.0)
        fill_v, fill_f = fill_body(shadow, pockets, depth)
        surface = (fill_v, fill_f) if len(fill_f) else None
    return BlockOut(depth, surface, shadow, pockets, first, regions, list(ledges), max(more, 0.0))


@njit(cache=True, nogil=True)
def _beside(index: NDArray[np.int64], pockets: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
    nx, ny, nz = pockets.shape
    out = np.zeros(len(index), dtype=np.bool_)
    for n in range(len(index)):
        i, j, k = index[n]
        for a in range(max(i - steps, 0), min(i + steps + 1, nx)):
            for b in range(max(j - steps, 0), min(j + steps + 1, ny)):
                for c in range(max(k - steps, 0), min(k + steps + 1, nz)):
                    if pockets[a, b, c]:
                        out[n] = True
    return out


def near_fill(out: BlockOut, points: Array, steps: int = 2) -> NDArray[np.bool_]:
    """Mark points that lie in the fill or right beside it."""
    shadow = out.shadow
    grid = shadow.grid
    origin = np.array([grid.x0, grid.y0, 0.0])
    scale = np.array([grid.pitch, grid.pitch, shadow.step])
    return _beside(np.round((points - origin) / scale).astype(np.int64), out.pockets, steps)

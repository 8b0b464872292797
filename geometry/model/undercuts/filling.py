"""Body of block-out material: what fills undercuts beyond a depth.

The fill ends in upright walls a chosen depth inside the edge of the shadow, so
that the plastic still grips that much and no more. Everything above the height
of contour, and every undercut that is shallower, stays as it is.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.model.bodies.cubes import zero_surface
from geometry.model.surface.halfedges import Faces
from geometry.model.undercuts.shadow import Shadow

# The wall stands this much outside the exact depth, to be sure of it on a lattice.
SAFETY = 0.02
THINNEST = 0.002
CLEARANCE = 0.15
EMBED = 3


@njit(cache=True, nogil=True)
def _place(
    cells: NDArray[np.int64],
    depth: NDArray[np.float32],
    near: NDArray[np.bool_],
    air: NDArray[np.bool_],
    top: NDArray[np.float32],
    ny: int,
    per: int,
    step: float,
    wall: float,
    field: NDArray[np.float32],
) -> None:
    levels = depth.shape[1]
    for n in range(len(cells)):
        i, j = cells[n] // ny, cells[n] % ny
        h = top[i * per, j * per]
        below = levels  # how many levels under the last air, and what its depth was
        last, rise = 0.0, 0.0
        for k in range(levels - 1, -1, -1):
            own = depth[n, k]
            if air[cells[n], k]:
                rise = own - last if below == 0 else 0.0
                last, below = own, 0
            else:
                below += 1
            if near[i, j, k]:
                # Under its own floor a point counts as deep: the wall goes down into the
                # floor as it came, or the fill would spread over it.
                if 0 < below <= EMBED:
                    own = min(own, last + below * rise)
                value = own - wall
                under = h - k * step - CLEARANCE
                # Only inside the shadow does the roof over a point limit the fill.
                if depth[n, k] > 0.0 and under < value:
                    value = under
                field[i, j, k + 1] = value


@njit(cache=True, nogil=True)
def _grown(marked: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
    """Mark what is within some steps along the axes of a marked point."""
    nx, ny, nz = marked.shape
    out = np.zeros(marked.shape, dtype=np.bool_)
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                if not marked[i, j, k]:
                    continue
                for x in range(max(i - steps, 0), min(i + steps + 1, nx)):
                    left = steps - abs(x - i)
                    for y in range(max(j - left, 0), min(j + left + 1, ny)):
                        rest = left - abs(y - j)
                        for z in range(max(k - rest, 0), min(k + rest + 1, nz)):
                            out[x, y, z] = True
    return out


def fill_body(
    shadow: Shadow, pockets: NDArray[np.bool_], depth: float
) -> tuple[NDArray[np.float64], Faces]:
    """Return the closed surface of the fill.

    Parameters
    ----------
    shadow : Shadow
    pockets : (nx, ny, levels) bool
        Air that is to be filled.
    depth : float
        Undercut that is left open, mm.

    Returns
    -------
    vertices : (n, 3) float64, mm
    faces : (m, 3) int32
        The body reaches into the solid around the air it fills.
    """
    grid, step = shadow.grid, shadow.step
    wall = max(depth - SAFETY, THINNEST)
    near = _grown(pockets, EMBED)
    cells = np.flatnonzero(near.any(axis=2))
    field = np.full((grid.nx, grid.ny, shadow.levels + 1), -step, dtype=np.float32)
    # Far below zero under the base, so that the body ends on it.
    field[:, :, 0] = -1e4
    air = np.zeros((grid.nx * grid.ny, shadow.levels), dtype=bool)
    air[shadow.cells] = shadow.air
    _place(
        cells, shadow.at(cells), near, air, shadow.top, grid.ny, shadow.per, step, wall, field
    )  # fmt: skip
    vertices, faces = zero_surface(field)
    vertices *= step
    vertices += (grid.x0, grid.y0, -step)
    vertices[vertices[:, 2] < 0.0, 2] = 0.0
    return vertices, faces

"""How deep under overhangs the air of a solid lies, seen from above.

A point is in shadow when some surface stands over it. Its undercut depth is its
distance, in the horizontal plane, from the edge of the shadow at its own height
(the gauge of a surveyor measures the same: shank at the height of contour, head
at the point).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from geometry.model.surface.halfedges import Faces
from geometry.model.undercuts.heights import Columns, Grid, column_crossings, top_heights
from geometry.model.undercuts.ledges import Ledge, without_parts

FINE = 0.05
REACH = 0.4
DEEPEST = 6.0  # mm; deeper ones are told as this
PER = 4
FINEST = 0.6
"""A step is shortened to no less than this share of it to fit a depth."""


@njit(cache=True, nogil=True)
def _open_columns(
    start: NDArray[np.int64], z: NDArray[np.float32], up: NDArray[np.int8], least: float
) -> NDArray[np.bool_]:
    """Mark columns that have air below their top."""
    out = np.zeros(len(start) - 1, dtype=np.bool_)
    for cell in range(len(start) - 1):
        inside = 0
        for k in range(start[cell], start[cell + 1]):
            inside += up[k]
            if inside <= 0:
                below = z[k + 1] if k + 1 < start[cell + 1] else 0.0
                if z[k] - below > least:
                    out[cell] = True
                    break
    return out


@njit(cache=True, nogil=True)
def _depths(
    cells: NDArray[np.int64],
    ny: int,
    per: int,
    levels: int,
    step: float,
    top: NDArray[np.float32],
    offsets: NDArray[np.int64],
    distance: NDArray[np.float64],
    half: float,
    out: NDArray[np.float32],
) -> None:
    """Signed depth for every level of the given columns; see :func:`undercut_depth`."""
    fx, fy = top.shape
    far = np.float32(distance[-1])
    for n in range(len(cells)):
        i, j = cells[n] // ny, cells[n] % ny
        ci, cj = i * per, j * per
        h = top[ci, cj]
        # Levels lo+1 .. known-inside are settled from above downwards, levels above h upwards.
        first_out = min(levels, max(0, int(np.floor(h / step)) + 1))
        inside_left = first_out
        outside_next = first_out
        for k in range(levels):
            out[n, k] = far if k < first_out else -far
        low = h
        high = h
        for q in range(1, len(offsets)):
            a, b = ci + offsets[q, 0], cj + offsets[q, 1]
            if a < 0 or b < 0 or a >= fx or b >= fy:
                value = np.float32(-1.0)
            else:
                value = top[a, b]
            if value < low:
                low = value
                keep = min(levels, max(0, int(np.floor(low / step)) + 1))
                for k in range(keep, inside_left):
                    out[n, k] = distance[q] - half
                inside_left = min(inside_left, keep)
            elif value > high:
                high = value
                reach = min(levels, max(0, int(np.floor(high / step)) + 1))
                for k in range(outside_next, reach):
                    out[n, k] = half - distance[q]
                outside_next = max(outside_next, reach)
            if inside_left == 0 and outside_next == levels:
                break


@njit(cache=True, nogil=True)
def _air(
    cells: NDArray[np.int64],
    start: NDArray[np.int64],
    z: NDArray[np.float32],
    up: NDArray[np.int8],
    step: float,
    out: NDArray[np.bool_],
) -> None:
    """Mark levels of columns that lie in air below the column's top."""
    for n in range(len(cells)):
        cell = cells[n]
        inside = 0
        for k in range(start[cell], start[cell + 1]):
            inside += up[k]
            if inside <= 0:
                below = z[k + 1] if k + 1 < start[cell + 1] else np.float32(-1e-6)
                for level in range(out.shape[1]):
                    height = level * step
                    if below < height < z[k]:
                        out[n, level] = True


@njit(cache=True, nogil=True)
def _depth_at(
    points: NDArray[np.float64],
    top: NDArray[np.float32],
    x0: float,
    y0: float,
    pitch: float,
    offsets: NDArray[np.int64],
    distance: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    for n in range(len(points)):
        u = (points[n, 0] - x0) / pitch
        v = (points[n, 1] - y0) / pitch
        ci, cj = round(u), round(v)
        best = distance[-1]
        for q in range(len(offsets)):
            if distance[q] > best + 0.75 * pitch:
                break  # every later column is farther than the best
            a, b = ci + offsets[q, 0], cj + offsets[q, 1]
            inside = 0 <= a < top.shape[0] and 0 <= b < top.shape[1]
            if not inside or top[a, b] < points[n, 2]:
                best = min(best, max(np.hypot(a - u, b - v) * pitch - 0.5 * pitch, 0.0))
        out[n] = best


@dataclass(slots=True)
class Shadow:
    """Undercut depth on a lattice of columns.

    Attributes
    ----------
    grid : Grid
        The columns.
    columns : Columns
        Where surfaces cross them.
    levels : int
    reach : float
        Depths are told apart up to this.
    step : float
        Distance of levels, mm; level k lies at ``k·step`` above the base.
    cells : (c,) int64
        Columns ``i·ny + j`` that were looked at.
    depth : (c, levels) float32
        Horizontal distance to the edge of the shadow, mm: positive in shadow or
        under the surface, negative outside, cut off at ``reach``.
    air : (c, levels) bool
        Whether the point is air below the column's top.
    top : (nx·per, ny·per) float32
        Fine height field, ``per`` columns of it to one of ``grid``.
    per : int
    """

    grid: Grid
    step: float
    cells: NDArray[np.int64]
    depth: NDArray[np.float32]
    air: NDArray[np.bool_]
    top: NDArray[np.float32]
    per: int
    columns: Columns
    levels: int
    reach: float

    def at(self, cells: NDArray[np.int64]) -> NDArray[np.float32]:
        """Signed depth for all levels of further columns."""
        out = np.empty((len(cells), self.levels), dtype=np.float32)
        offsets, distance = disc(self.reach, self.grid.pitch / self.per)
        _depths(
            cells, self.grid.ny, self.per, self.levels, self.step, self.top, offsets, distance,
            0.5 * self.grid.pitch / self.per, out,
        )  # fmt: skip
        return out

    def depth_at(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Undercut depth of points, mm: 0 outside the shadow, cut off at the reach."""
        pitch = self.grid.pitch / self.per
        offsets, distance = disc(self.reach, pitch)
        out = np.empty(len(points))
        _depth_at(points, self.top, self.grid.x0, self.grid.y0, pitch, offsets, distance, out)
        return out

    def depths_of(self, row: NDArray[np.int64], level: NDArray[np.int64]) -> NDArray[np.float64]:
        """Depth of lattice points by row of ``cells`` and level, mm.

        What is deeper than the reach is told to half a column, up to ``DEEPEST``.
        """
        out = self.depth[row, level].astype(np.float64)
        beyond = np.flatnonzero(out >= self.reach - 0.5 * self.step)
        grid = self.grid
        i, j = np.divmod(self.cells[row[beyond]], grid.ny)
        x, y = grid.x0 + i * grid.pitch, grid.y0 + j * grid.pitch
        points = np.column_stack((x, y, level[beyond] * self.step))
        top = np.ascontiguousarray(self.top[:: self.per, :: self.per])
        deep = np.empty(len(points))
        _depth_at(points, top, grid.x0, grid.y0, grid.pitch, *disc(DEEPEST, grid.pitch), deep)
        out[beyond] = np.maximum(out[beyond], deep)
        return out

    def deepest(self, where: NDArray[np.bool_]) -> float:
        """Return the greatest depth of the points marked (c, levels), 0 without any, mm."""
        return float(self.depths_of(*np.nonzero(where)).max(initial=0.0))


def disc(reach: float, pitch: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the steps to all columns within reach, nearest first, and their distances."""
    n = int(np.ceil(reach / pitch))
    i, j = np.meshgrid(np.arange(-n, n + 1), np.arange(-n, n + 1), indexing="ij")
    distance = np.hypot(i, j).ravel() * pitch
    order = np.lexsort((j.ravel(), i.ravel(), distance))
    order = order[distance[order] <= reach]
    return np.column_stack((i.ravel(), j.ravel()))[order].astype(np.int64), distance[order]


def cast_shadow(
    vertices: NDArray[np.float64],
    faces: Faces,
    limit: float,
    step: float = 0.2,
    per: int = PER,
    spared: Sequence[Ledge] = (),
) -> Shadow:
    """Measure the undercut of a closed solid that stands on z = 0, seen from +z.

    Parameters
    ----------
    vertices : (n, 3) float64, mm
    faces : (m, 3) int32
        Closed, wound outwards.
    limit : float
        Depth of interest; depths are told apart up to ``limit + REACH``.
    step : float
        Distance of columns and levels, mm.
    per : int
        Fine columns to a step, for the height field.
    spared : sequence of Ledge
        What stands out over them throws no shadow.
    """
    reach = limit + REACH
    grid = Grid.over(vertices, step, reach + 4 * step)
    fine = Grid(grid.x0, grid.y0, step / per, (grid.nx - 1) * per + 1, (grid.ny - 1) * per + 1)
    top = top_heights(vertices, faces, fine)
    without_parts(top, fine, vertices, faces, spared)
    columns = column_crossings(vertices, faces, grid)
    cells = np.flatnonzero(_open_columns(columns.start, columns.z, columns.up, 0.02))
    levels = int(np.ceil(float(vertices[:, 2].max()) / step)) + 2
    shadow = Shadow(
        grid, step, cells, np.empty((0, levels), dtype=np.float32),
        np.zeros((len(cells), levels), dtype=bool), top, per, columns, levels, reach,
    )  # fmt: skip
    shadow.depth = shadow.at(cells)
    _air(cells, columns.start, columns.z, columns.up, step, shadow.air)
    return shadow


def whole_columns(step: float, depth: float) -> float:
    """Return the lattice step, no longer than ``step``, of which a depth is whole fine columns.

    An edge of the shadow along the columns lies somewhere between two of them, so depths there are
    told in steps of a column, half a column off on average. Where a depth is no whole number of
    them, what a fill leaves just at that depth is all told as deeper, or as less deep.
    """
    column = step / PER
    fitted = depth / max(np.ceil(depth / column - 1e-9), 1.0)
    return float(fitted * PER) if FINEST * column <= fitted else step


def undercut_volume(shadow: Shadow, beyond: float) -> float:
    """Volume of air that lies deeper than ``beyond`` under overhangs, mm³."""
    return float((shadow.air & (shadow.depth > beyond)).sum()) * shadow.step**3


def _drop_specks(field: NDArray[np.bool_], least: float) -> None:
    """Clear the pockets of fewer points than ``least``; neighbours share a side.

    No point may lie in the last layer along an axis.
    """
    points = np.flatnonzero(field)
    if not len(points):
        return
    pairs = []
    for step in (1, field.shape[2], field.shape[1] * field.shape[2]):
        at = np.minimum(np.searchsorted(points, points + step), len(points) - 1)
        beside = np.flatnonzero(points[at] == points + step)
        pairs.append(np.stack((beside, at[beside])))
    joined = np.concatenate(pairs, axis=1)
    graph = coo_matrix((np.ones(joined.shape[1], dtype=bool), joined), shape=(len(points),) * 2)
    piece = connected_components(graph, directed=False)[1]
    field.ravel()[points[np.bincount(piece)[piece] < least]] = False


def wide_enough(marked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave of marked lattice points (nx, ny, levels) those in marked cubes of two by two by two.

    A sheet goes into nothing narrower than a step of the lattice.
    """
    i, j, k = np.nonzero(marked)
    around = np.zeros(tuple(n + 2 for n in marked.shape), dtype=bool)
    around[1:-1, 1:-1, 1:-1] = marked
    near = np.stack(
        [around[i + a, j + b, k + c] for a in range(3) for b in range(3) for c in range(3)]
    ).reshape(3, 3, 3, -1)
    inside = np.zeros(len(i), dtype=bool)
    for a, b, c in np.ndindex(2, 2, 2):
        inside |= near[a : a + 2, b : b + 2, c : c + 2].all(axis=(0, 1, 2))
    out = np.zeros(marked.shape, dtype=bool)
    out[i[inside], j[inside], k[inside]] = True
    return out


def deep_air(shadow: Shadow, beyond: float, least: float) -> NDArray[np.bool_]:
    """Mark the lattice points in air deeper than ``beyond``, without specks.

    Parameters
    ----------
    shadow : Shadow
    beyond : float
        Depth, mm.
    least : float
        Connected pockets below this volume are left out, mm³.

    Returns
    -------
    (nx, ny, levels) bool
    """
    grid = shadow.grid
    out = np.zeros((grid.nx * grid.ny, shadow.levels), dtype=bool)
    out[shadow.cells] = shadow.air & (shadow.depth > beyond)
    field = out.reshape(grid.nx, grid.ny, shadow.levels)
    if least > 0.0:
        _drop_specks(field, least / shadow.step**3)
    return field

"""Hollow a model out, keeping a wall, with drain holes through the base."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from geometry.model.additions.identity import DEPTH
from geometry.model.bodies.cubes import zero_surface
from geometry.model.bodies.solids import bent, to_manifold
from geometry.model.surface.halfedges import Faces
from geometry.model.undercuts.heights import Columns, Grid, column_crossings

Array = NDArray[np.float64]

STEP = 0.4
FINE = 4
SAFETY = 0.4
DRAIN, NARROWEST_DRAIN = 3.0, 1.5
INTO = 0.4  # a drain reaches so far above the floor, mm
LEAST_CAVITY = 60.0
SIMPLIFIED = 0.004


@dataclass(frozen=True, slots=True)
class Cavity:
    """What is taken out of a model.

    Attributes
    ----------
    body : manifold3d.Manifold
    volume : float
        mm³
    drains : list of (x, y)
    """

    body: manifold3d.Manifold
    volume: float
    drains: list[tuple[float, float]]


@njit(cache=True, nogil=True)
def _ceiling(
    start: NDArray[np.int64], z: NDArray[np.float32], up: NDArray[np.int8], out: Array
) -> None:
    """Height up to which a column is solid from the base, 0 where it is not at all."""
    for cell in range(len(out)):
        inside = 0
        last = start[cell + 1] - 1
        # From below: the base faces down at 0, the next crossing is the way out.
        for k in range(last, start[cell] - 1, -1):
            if k == last and (up[k] > 0 or z[k] > 0.01):
                break
            inside -= up[k]
            if inside <= 0:
                out[cell] = z[k]
                break


@njit(cache=True, nogil=True)
def _under_balls(ceiling: Array, wall: float, step: float, out: Array) -> None:
    """Lower a ceiling until every point under it is ``wall`` from what lies above or beside."""
    nx, ny = ceiling.shape
    r = int(np.ceil(wall / step))
    for i in range(nx):
        for j in range(ny):
            best = 1e9
            for di in range(-r, r + 1):
                for dj in range(-r, r + 1):
                    d2 = (di * di + dj * dj) * step * step
                    if d2 > wall * wall:
                        continue
                    a, b = i + di, j + dj
                    h = 0.0
                    if 0 <= a < nx and 0 <= b < ny:
                        h = ceiling[a, b]
                    h -= np.sqrt(wall * wall - d2)
                    if h < best:
                        best = h
            out[i, j] = best


def hollow_out(vertices: Array, faces: Faces, wall: float, sunk: shapely.Polygon) -> Cavity | None:
    """Shape the cavity of a solid; None where it is too slight to be worth it.

    Parameters
    ----------
    vertices, faces
        Closed solid standing on z = 0.
    wall : float
        Wall and floor thickness kept, mm.
    sunk : Polygon
        Where a code is cut into the underside: the floor is higher over it, and no drain
        goes through it.
    """
    grid = Grid.over(vertices, STEP, 2.0)
    lowest = _lowest_ceiling(vertices, faces, grid)
    top = np.empty((grid.nx, grid.ny))
    _under_balls(lowest, wall + SAFETY, STEP, top)
    levels = int(np.ceil(float(vertices[:, 2].max()) / STEP)) + 2
    z = np.arange(levels) * STEP
    marked = _over(sunk.buffer(wall), grid)
    floor = np.where(marked, wall + DEPTH, wall)
    field = np.minimum(top[:, :, None] - z, z - floor[:, :, None])
    field = np.clip(field, -1.0, 1.0).astype(np.float32)
    labels, count = ndimage.label(field > 0)
    size = np.bincount(labels.ravel(), minlength=count + 1) * STEP**3
    bodies: list[manifold3d.Manifold] = []
    drains: list[tuple[float, float, float]] = []
    for label in range(1, count + 1):
        if size[label] < LEAST_CAVITY:
            continue
        low = (labels[:, :, int(np.ceil(wall / STEP)) + 1] == label) & ~marked
        places = _drain_places(low, grid)
        if not places:
            continue
        mine = ndimage.binary_dilation(labels == label)
        part = np.where(mine, field, -1.0).astype(np.float32)
        v, f = zero_surface(part)
        v = v * STEP + (grid.x0, grid.y0, 0.0)
        bodies.append(to_manifold(v, f).simplify(SIMPLIFIED))
        drains += places
    if not bodies:
        return None
    volume = float(sum(body.volume() for body in bodies))
    pipes = [
        manifold3d.Manifold.cylinder(wall + 1.0 + INTO, radius, circular_segments=48).translate(
            (x, y, -1.0)
        )
        for x, y, radius in drains
    ]
    body = manifold3d.Manifold.batch_boolean([*bodies, *pipes], manifold3d.OpType.Add)
    return Cavity(bent(body), volume, [(x, y) for x, y, _ in drains])


def _lowest_ceiling(vertices: Array, faces: Faces, grid: Grid) -> Array:
    """Lowest ceiling around each column, so that narrow clefts are not missed."""
    pitch = grid.pitch / FINE
    half = (FINE - 1) / 2.0 * pitch
    fine = Grid(grid.x0 - half, grid.y0 - half, pitch, grid.nx * FINE, grid.ny * FINE)
    columns: Columns = column_crossings(vertices, faces, fine)
    ceiling = np.zeros(fine.nx * fine.ny)
    _ceiling(columns.start, columns.z, columns.up, ceiling)
    return np.asarray(ceiling.reshape(grid.nx, FINE, grid.ny, FINE).min(axis=(1, 3)))


def _over(area: shapely.Geometry, grid: Grid) -> NDArray[np.bool_]:
    """Mark the columns that lie over an area."""
    i, j = np.meshgrid(np.arange(grid.nx), np.arange(grid.ny), indexing="ij")
    return np.asarray(shapely.contains_xy(area, grid.x0 + i * STEP, grid.y0 + j * STEP))


def _drain_places(low: NDArray[np.bool_], grid: Grid) -> list[tuple[float, float, float]]:
    """Two roomy places, far apart, above which a cavity is open: x, y, radius.

    None where the cavity is too narrow to be drained without taking of its walls.
    """
    # From the middle of a column to where the cavity ends between it and the next.
    room = ndimage.distance_transform_edt(low) * STEP - 0.5 * STEP
    radius = min(0.5 * DRAIN, float(room.max()))
    if radius < 0.5 * NARROWEST_DRAIN:
        return []
    i, j = np.nonzero(room >= radius)
    first = int(np.argmax(room[i, j]))
    away = np.hypot(i - i[first], j - j[first])
    second = int(np.argmax(away))
    picks = [first] if away[second] * STEP < 2.0 * DRAIN else [first, second]
    return [(grid.x0 + float(i[k]) * STEP, grid.y0 + float(j[k]) * STEP, radius) for k in picks]

"""Heights of a surface over a lattice of lines along the removal direction.

The lattice is anchored at the origin of the coordinates and turned against their
axes by a fixed odd angle. Anchored at the bounding box it would run along the edge of
a box and be wrong by half a cell there.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.topology.adjacency import extent
from geometry.undercut.crossings import cross_lattice, void_below

_MOST_CELLS = 12_000_000
# An arch is crossed some 300,000 times by lines 0.1 mm apart. A scan that is mere noise,
# or lies over itself many times, could be a hundred times that.
MOST_CROSSINGS = 2_000_000
# From so many triangles on two bands of columns are cast side by side.
_WORTH_TWO_THREADS = 50_000


@dataclass(frozen=True, slots=True)
class Lattice:
    """Crossings summed up over a lattice.

    Attributes
    ----------
    basis : (3, 3) float64
        Rows u, v, direction.
    pitch_mm : float
    first : (i0, j0) ints
        Lattice coordinates of cell (0, 0); cell (i, j) stands at
        ``((i0 + i) * pitch, (j0 + j) * pitch)`` along u and v.
    top : (columns, rows) float64
        Height of the highest crossing; -inf where there is none.
    void : (columns, rows) float64
        Length under overhangs, mm.
    outward : int
        +1 when the winding's normals point outward, else -1.
    """

    basis: NDArray[np.float64]
    pitch_mm: float
    first: tuple[int, int]
    top: NDArray[np.float64]
    void: NDArray[np.float64]
    outward: int

    def cell_points(
        self, columns: NDArray[np.int64], rows: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Return points (n, 3) in file coordinates at the top of the given cells."""
        local = np.column_stack(
            [
                (columns + self.first[0]) * self.pitch_mm,
                (rows + self.first[1]) * self.pitch_mm,
                self.top[columns, rows],
            ]
        )
        return local @ self.basis


def refuse_too_large(size: NDArray[np.float64], pitch_mm: float) -> None:
    """Raise ``GeometryError`` when a lattice over these sides would not fit in memory."""
    if float(size[0]) * float(size[1]) / pitch_mm**2 > _MOST_CELLS:
        raise GeometryError(
            f"the surface is {float(size.max()):.0f} mm across, too large for an "
            f"undercut lattice of {pitch_mm} mm; check the unit of the file"
        )


def bearable_pitch(shade: tuple[float, float], crossings: int) -> float:
    """Return the least distance of lines at which so many crossings are not exceeded.

    ``shade`` is what ``crossings.shadow`` tells of the surface.
    """
    area, width = shade
    # A column of lines that a triangle reaches into costs a fraction of a crossing.
    return max(float(np.sqrt(area / crossings)), width / (8 * crossings))


def cast(
    points: NDArray[np.float64],
    faces: NDArray[np.int32],
    basis: NDArray[np.float64],
    pitch_mm: float,
    plane: tuple[NDArray[np.float64], float],
) -> Lattice:
    """Cast the lattice lines through a surface.

    Parameters
    ----------
    points : (n, 3) float64
        Vertices along the basis: u, v and height.
    faces : (m, 3) int32
    basis : (3, 3) float64
    pitch_mm : float
    plane : (normal (3,) along the basis, offset)
        Base plane: points p with p · normal = offset.

    Raises
    ------
    GeometryError
        The lattice would be too large for the extent.
    """
    reach = extent(points)
    low = np.ceil(reach[0, :2] / pitch_mm).astype(np.int64)
    high = np.floor(reach[1, :2] / pitch_mm).astype(np.int64)
    size = np.maximum(high - low + 1, 1)
    refuse_too_large(size[:2] * pitch_mm, pitch_mm)
    columns, rows = int(size[0]), int(size[1])
    normal, offset = plane
    # Height of the base plane over a lattice point, linear in its coordinates.
    du, dv = -normal[0] / normal[2], -normal[1] / normal[2]
    floor = offset / normal[2] + du * low[0] * pitch_mm + dv * low[1] * pitch_mm
    top = np.empty(columns * rows)
    void = np.empty(columns * rows)
    # A band of whole columns is cast by itself; both hold about as much of the surface.
    cut = 0
    if len(faces) >= _WORTH_TWO_THREADS:
        middle = round(float(np.median(points[::16, 0])) / pitch_mm)
        cut = int(np.clip(middle - low[0], 0, columns))
    bands = [(0, cut), (cut, columns)] if 0 < cut < columns else [(0, columns)]

    def crossed(first: int, last: int) -> Any:
        return cross_lattice(
            points, faces, pitch_mm, int(low[0]) + first, int(low[1]), rows,
            top[first * rows : last * rows],
        )  # fmt: skip

    def fill(first: int, last: int, found: Any) -> None:
        part = slice(first * rows, last * rows)
        facing, head, used, below, side, link = found
        void_below(
            top[part], facing, head, used, below, side, link, outward < 0, rows,
            float(floor + du * pitch_mm * first),
            float(du * pitch_mm), float(dv * pitch_mm), void[part],
        )  # fmt: skip

    with ThreadPoolExecutor(max_workers=1) as beside:
        later = [beside.submit(crossed, *band) for band in bands[1:]]
        found = [crossed(*bands[0]), *(work.result() for work in later)]
        outward = 1 if sum(int(part[0].sum(dtype=np.int64)) for part in found) >= 0 else -1
        later = [beside.submit(fill, *bands[k], found[k]) for k in range(1, len(bands))]
        fill(*bands[0], found[0])
        for work in later:
            work.result()
    return Lattice(
        basis,
        pitch_mm,
        (int(low[0]), int(low[1])),
        top.reshape(columns, rows),
        void.reshape(columns, rows),
        outward,
    )

"""A heated sheet drawn over a model or into a cavity, as a membrane that sticks where it touches.

The free sheet behaves like a fluid film whose surface tension grows with its areal
stretch: its energy is the integral of λ²/2 over the flat sheet (λ: areal stretch), with
a little shear stiffness to keep the net in shape. At rest such a film has one stretch
all over and bulges as a spherical cap: the assumptions behind the closed forms for
forming into cones and cylinders (J. L. Throne, Technology of Thermoforming, 1996).
What touches stays where it touched and keeps its thickness. Volume is kept, so
thickness is the sheet's over λ.

It is an estimate: sliding, cooling and bending of a real sheet are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree

Array = NDArray[np.float64]

SHEAR = 0.02
INERTIA = 0.9
STEP = 0.16
LONGEST_MOVE = 0.12
DRAPE_STEPS = 350
PRESS_STEPS = 1100
FIRST_PRESSURE = 0.002
LAST_PRESSURE = 6.0


@dataclass(frozen=True, slots=True)
class Ground:
    """What the sheet is formed against: heights on a square grid, mm.

    Attributes
    ----------
    x0, y0, pitch : float
        ``heights[i, j]`` is the height at ``(x0 + i·pitch, y0 + j·pitch)``.
    heights : (nx, ny) float64
    outside : float
        Height beyond the grid.
    """

    x0: float
    y0: float
    pitch: float
    heights: Array
    outside: float = 0.0


@dataclass(frozen=True, slots=True)
class Sheet:
    """A flat sheet as a net of triangles.

    Attributes
    ----------
    points : (n, 2) float64, mm
    faces : (m, 3) int32
    held : (n,) bool
        Points in the clamping frame.
    """

    points: Array
    faces: NDArray[np.int32]
    held: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Formed:
    """A formed sheet.

    Attributes
    ----------
    points : (n, 3) float64, mm
    faces : (m, 3) int32
    stretch : (n,) float64
        Areal stretch λ; thickness is the sheet's over it.
    touching : (n,) bool
        Points that lie on the ground.
    flat_area : float
        Area of the net before forming, mm².
    """

    points: Array
    faces: NDArray[np.int32]
    stretch: Array
    touching: NDArray[np.bool_]
    flat_area: float

    @property
    def areal_ratio(self) -> float:
        """Formed area over flat area of the whole net."""
        return float(_areas(self.points, self.faces).sum()) / self.flat_area


def _areas(points: Array, faces: NDArray[np.int32]) -> Array:
    p = points[faces]
    return 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)


def round_sheet(centre: Array, radius: float, fine: float, near: Array, reach: float) -> Sheet:
    """Return a round sheet, finely divided around some points.

    Parameters
    ----------
    centre : (2,) float64
    radius : float
        Of the clamping frame, mm.
    fine : float
        Spacing near the points; three times that elsewhere.
    near : (k, 2) float64
    reach : float
        How far from the points the net is fine, mm.
    """
    def hexagonal(step: float) -> Array:
        rows = int(radius / (step * 0.8660254)) + 2
        cols = int(radius / step) + 2
        j, i = np.meshgrid(np.arange(-rows, rows + 1), np.arange(-cols, cols + 1))
        grid = np.column_stack((step * (i + 0.5 * (j % 2)).ravel(), 0.8660254 * step * j.ravel()))
        return grid + centre

    small, large = hexagonal(fine), hexagonal(3.0 * fine)
    tree = cKDTree(near) if len(near) else None
    inside = radius - 0.6 * fine

    def wanted(points: Array, close: bool) -> NDArray[np.bool_]:
        out = np.hypot(*(points - centre).T) < (inside if close else radius - 1.8 * fine)
        if tree is None:
            return np.asarray(out if close else out & False)
        far = tree.query(points)[0]
        return np.asarray(out & ((far <= reach) if close else (far > reach + fine)))

    count = max(24, round(2.0 * np.pi * radius / (2.0 * fine)))
    angle = 2.0 * np.pi * np.arange(count) / count
    ring = centre + radius * np.column_stack((np.cos(angle), np.sin(angle)))
    points = np.vstack((ring, small[wanted(small, True)], large[wanted(large, False)]))
    faces = Delaunay(points).simplices.astype(np.int32)
    p = points[faces]
    u, v = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    faces[area < 0] = faces[area < 0][:, ::-1]
    faces = np.ascontiguousarray(faces[np.abs(area) > 1e-6])
    held = np.zeros(len(points), dtype=bool)
    held[:count] = True
    return Sheet(points, faces, held)


@njit(cache=True, nogil=True)
def _height(
    x: float, y: float, x0: float, y0: float, pitch: float, h: Array, outside: float
) -> float:
    u, v = (x - x0) / pitch, (y - y0) / pitch
    i, j = int(np.floor(u)), int(np.floor(v))
    if i < 0 or j < 0 or i >= h.shape[0] - 1 or j >= h.shape[1] - 1:
        return outside
    u -= i
    v -= j
    return (
        (1 - u) * (1 - v) * h[i, j] + u * (1 - v) * h[i + 1, j]
        + (1 - u) * v * h[i, j + 1] + u * v * h[i + 1, j + 1]
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _forces(
    pos: Array,
    faces: NDArray[np.int32],
    rest: Array,
    inverse: Array,
    pressure: float,
    shear: float,
    force: Array,
    stiff: Array,
) -> None:
    """Force and stiffness at each point; ``inverse`` maps edges to the flat sheet's."""
    force[:] = 0.0
    stiff[:] = 1e-9
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = pos[b, 0] - pos[a, 0], pos[b, 1] - pos[a, 1], pos[b, 2] - pos[a, 2]
        vx, vy, vz = pos[c, 0] - pos[a, 0], pos[c, 1] - pos[a, 1], pos[c, 2] - pos[a, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        twice = np.sqrt(nx * nx + ny * ny + nz * nz)
        if twice < 1e-12:
            continue
        area = 0.5 * twice
        stretch = area / rest[f]
        # Areal part: dE/dA = λ; dA/db = (v × n)/2 with the unit normal n.
        hx, hy, hz = nx / twice, ny / twice, nz / twice
        bx = 0.5 * (vy * hz - vz * hy)
        by = 0.5 * (vz * hx - vx * hz)
        bz = 0.5 * (vx * hy - vy * hx)
        cx = 0.5 * (hy * uz - hz * uy)
        cy = 0.5 * (hz * ux - hx * uz)
        cz = 0.5 * (hx * uy - hy * ux)
        # Shear part: E = shear·A0/2·tr(C)/λ. F = [u v]·inverse.
        i00, i01, i10, i11 = inverse[f, 0], inverse[f, 1], inverse[f, 2], inverse[f, 3]
        f0x, f0y, f0z = ux * i00 + vx * i10, uy * i00 + vy * i10, uz * i00 + vz * i10
        f1x, f1y, f1z = ux * i01 + vx * i11, uy * i01 + vy * i11, uz * i01 + vz * i11
        trace = f0x * f0x + f0y * f0y + f0z * f0z + f1x * f1x + f1y * f1y + f1z * f1z
        k = shear * rest[f] / stretch
        slide = 0.5 * shear * trace / (stretch * stretch)
        gain = stretch - slide
        gbx = gain * bx + k * (f0x * i00 + f1x * i01)
        gby = gain * by + k * (f0y * i00 + f1y * i01)
        gbz = gain * bz + k * (f0z * i00 + f1z * i01)
        gcx = gain * cx + k * (f0x * i10 + f1x * i11)
        gcy = gain * cy + k * (f0y * i10 + f1y * i11)
        gcz = gain * cz + k * (f0z * i10 + f1z * i11)
        # Pressure from above, along the normal (which points up for the flat sheet).
        push = pressure * area / 3.0
        px, py, pz = push * hx, push * hy, push * hz
        force[b, 0] -= gbx + px
        force[b, 1] -= gby + py
        force[b, 2] -= gbz + pz
        force[c, 0] -= gcx + px
        force[c, 1] -= gcy + py
        force[c, 2] -= gcz + pz
        force[a, 0] += gbx + gcx - px
        force[a, 1] += gby + gcy - py
        force[a, 2] += gbz + gcz - pz
        # Largest curvature of the energy in this triangle, for the step length.
        uu, vv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        ww = wx * wx + wy * wy + wz * wz
        size = (stretch + 2.0 * shear) * (uu + vv + ww) / (4.0 * area)
        size += (uu + vv + ww) / (12.0 * rest[f])
        stiff[a] += size
        stiff[b] += size
        stiff[c] += size


@njit(cache=True, nogil=True)
def _form(
    pos: Array,
    faces: NDArray[np.int32],
    rest: Array,
    inverse: Array,
    held: NDArray[np.bool_],
    heights: Array,
    x0: float,
    y0: float,
    pitch: float,
    outside: float,
    drop: float,
    drape_steps: int,
    press_steps: int,
    first: float,
    last: float,
    shear: float,
    inertia: float,
    rate: float,
    longest: float,
    stuck: NDArray[np.bool_],
) -> int:
    n = len(pos)
    force = np.zeros_like(pos)
    stiff = np.zeros(n)
    speed = np.zeros_like(pos)
    free = 0
    for n_ in range(n):
        if not held[n_]:
            free += 1
    for step in range(drape_steps + press_steps):
        if step < drape_steps:
            pressure = 0.0
            for q in range(n):
                if held[q]:
                    pos[q, 2] -= drop / drape_steps
        else:
            share = (step - drape_steps) / max(press_steps - 1, 1)
            pressure = first * (last / first) ** share
        _forces(pos, faces, rest, inverse, pressure, shear, force, stiff)
        left = 0
        for q in range(n):
            if held[q] or stuck[q]:
                continue
            left += 1
            gone = 0.0
            for d in range(3):
                speed[q, d] = inertia * speed[q, d] + rate * force[q, d] / stiff[q]
                gone += speed[q, d] * speed[q, d]
            gone = np.sqrt(gone)
            if gone > longest:
                for d in range(3):
                    speed[q, d] *= longest / gone
            ax, ay, az = pos[q, 0], pos[q, 1], pos[q, 2]
            bx, by, bz = ax + speed[q, 0], ay + speed[q, 1], az + speed[q, 2]
            if bz <= _height(bx, by, x0, y0, pitch, heights, outside):
                lo, hi = 0.0, 1.0
                for _ in range(12):
                    m = 0.5 * (lo + hi)
                    under = az + m * speed[q, 2] <= _height(
                        ax + m * speed[q, 0], ay + m * speed[q, 1], x0, y0, pitch, heights, outside
                    )
                    if under:
                        hi = m
                    else:
                        lo = m
                pos[q, 0] = ax + lo * speed[q, 0]
                pos[q, 1] = ay + lo * speed[q, 1]
                pos[q, 2] = az + lo * speed[q, 2]
                stuck[q] = True
            else:
                pos[q, 0], pos[q, 1], pos[q, 2] = bx, by, bz
        if left == 0:
            return step
    return drape_steps + press_steps


def form_sheet(
    sheet: Sheet,
    ground: Ground,
    start: float,
    rim: float,
    *,
    drape_steps: int = DRAPE_STEPS,
    press_steps: int = PRESS_STEPS,
    shear: float = SHEAR,
) -> Formed:
    """Form a flat sheet against the ground.

    Parameters
    ----------
    sheet : Sheet
    ground : Ground
    start : float
        Height of the flat sheet, above everything it will meet, mm.
    rim : float
        Height to which the clamping frame is lowered before the pressure comes on.
    drape_steps, press_steps : int
        How gradually.
    shear : float
        Shear stiffness against the areal one.

    Returns
    -------
    Formed
    """
    pos = np.column_stack((sheet.points, np.full(len(sheet.points), start)))
    p = sheet.points[sheet.faces]
    u, v = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    twice = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    rest = 0.5 * twice
    inverse = np.column_stack((v[:, 1], -v[:, 0], -u[:, 1], u[:, 0])) / twice[:, None]
    stuck = np.zeros(len(pos), dtype=bool)
    _form(
        pos, sheet.faces, rest, inverse, sheet.held, np.ascontiguousarray(ground.heights),
        ground.x0, ground.y0, ground.pitch, ground.outside, start - rim, drape_steps, press_steps,
        FIRST_PRESSURE, LAST_PRESSURE, shear, INERTIA, STEP, LONGEST_MOVE, stuck,
    )  # fmt: skip
    area = _areas(pos, sheet.faces)
    flat = np.bincount(sheet.faces.ravel(), weights=np.repeat(rest, 3), minlength=len(pos))
    formed = np.bincount(sheet.faces.ravel(), weights=np.repeat(area, 3), minlength=len(pos))
    return Formed(
        pos, sheet.faces, formed / np.maximum(flat, 1e-12), stuck, float(rest.sum())
    )

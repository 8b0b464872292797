"""The row of teeth rolled out: heights along and across the centre line of the crowns.

``s`` runs along the centre line (0 at the midline), ``t`` across it, positive
towards lips and cheeks. Side left or right does not matter here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.frame.arch.row_curve import RowCurve
from geometry.frame.relief import EMPTY, Relief

STEP_S_MM = 0.25
STEP_T_MM = 0.3
HALF_T_MM = 16.0
CROWN_DEPTH_MM = 2.5


@dataclass(frozen=True, slots=True)
class Unrolled:
    """Heights of the relief along the centre line of the crowns.

    Attributes
    ----------
    s : (n,) float64, mm
    t : (m,) float64, mm
    height : (n, m) float64
        Above the occlusal plane, mm; NaN where there is no surface.
    line : (n, 2) float64
        The centre line, (across, anterior) from the apex, mm.
    covered : (n,) bool
        Where crowns were scanned.
    """

    s: NDArray[np.float64]
    t: NDArray[np.float64]
    height: NDArray[np.float64]
    line: NDArray[np.float64]
    covered: NDArray[np.bool_]

    def place(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return (s, t) of points given as (across, anterior) from the apex, mm."""
        nearest, across = beside(self.line, points)
        return np.stack([self.s[nearest], across], axis=1)


@njit(cache=True, nogil=True)
def _sample(z, x0, y0, cell, points, normals, t, level):  # type: ignore[no-untyped-def]
    n, m = points.shape[0], t.shape[0]
    out = np.full((n, m), np.nan, dtype=np.float64)
    rows, columns = z.shape
    for i in range(n):
        for j in range(m):
            x = points[i, 0] + normals[i, 0] * t[j]
            y = points[i, 1] + normals[i, 1] * t[j]
            c = int(np.floor((x - x0) / cell + 0.5))
            r = int(np.floor((y - y0) / cell + 0.5))
            if 0 <= r < rows and 0 <= c < columns and z[r, c] > -1e8:
                out[i, j] = z[r, c] - level
    return out


def _even(
    line: NDArray[np.float64], origin: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Resample a polyline evenly; ``s`` is 0 at the point number ``origin``."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    zero = length[origin]
    first = np.ceil((length[0] - zero) / STEP_S_MM)
    last = np.floor((length[-1] - zero) / STEP_S_MM)
    s = np.arange(first, last + 1) * STEP_S_MM
    even = np.stack([np.interp(s + zero, length, line[:, k]) for k in range(2)], axis=1)
    return s, even


def outward(line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit normals (n, 2) of a centre line, towards lips and cheeks."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1), 1e-9)[:, None]
    # The line runs from negative to positive across; the front is on its left.
    return np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)


def beside(
    line: NDArray[np.float64], points: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the number of the nearest place on a centre line, and the distance out from it, mm."""
    _, nearest = cKDTree(line).query(points)
    return nearest, ((points - line[nearest]) * outward(line)[nearest]).sum(axis=1)


def _smooth(values: NDArray[np.float64], width_mm: float) -> NDArray[np.float64]:
    half = max(1, round(width_mm / STEP_S_MM))
    kernel = np.hanning(2 * half + 3)[1:-1]
    good = np.isfinite(values).astype(np.float64)
    total = np.convolve(np.where(good > 0, values, 0.0) * good, kernel, mode="same")
    weight = np.convolve(good, kernel, mode="same")
    return total / np.maximum(weight, 1e-9)


def unroll(relief: Relief, level: float, form: RowCurve) -> Unrolled:
    """Roll the relief out along the crowns, starting from the fitted arch form."""
    across = np.array([form.front[1], -form.front[0]])
    turn = np.stack([across, form.front])
    curve = form.outline()
    tail = np.arange(1, 11)[:, None] * np.array([[0.0, -1.5]])
    curve = np.concatenate([(curve[0] + tail)[::-1], curve, curve[-1] + tail])
    s, line = _even(curve, curve.shape[0] // 2)
    t = np.arange(-HALF_T_MM, HALF_T_MM + STEP_T_MM / 2, STEP_T_MM)
    covered = np.zeros(s.shape[0], dtype=np.bool_)
    height = np.empty((s.shape[0], t.shape[0]))
    for again in range(3):
        normal = outward(line)
        height = _sample(
            relief.z,
            relief.x0,
            relief.y0,
            relief.cell,
            form.apex + line @ turn,
            normal @ turn,
            t,
            level,
        )
        near = np.abs(t) < 7.0
        crown = np.where(near & np.isfinite(height), height, EMPTY)
        top = crown.max(axis=1)
        covered = top > -4.0
        if again == 2:
            break
        mask = crown > (top - CROWN_DEPTH_MM)[:, None]
        middle = (mask * t).sum(axis=1) / np.maximum(mask.sum(axis=1), 1)
        shift = _smooth(np.where(covered, middle, np.nan), 5.0)
        line = line + normal * np.clip(shift, -4.0, 4.0)[:, None]
        s, line = _even(line, int(np.argmin(np.abs(s))))
        # Shifting leaves little jags; the line is a smooth one.
        line = np.stack([_ends_kept(line[:, k], 2.0) for k in range(2)], axis=1)
    return Unrolled(s, t, height, line, covered)


def _ends_kept(values: NDArray[np.float64], width_mm: float) -> NDArray[np.float64]:
    half = max(1, round(width_mm / STEP_S_MM))
    padded = np.concatenate(
        [2 * values[0] - values[half:0:-1], values, 2 * values[-1] - values[-2 : -half - 2 : -1]]
    )
    kernel = np.hanning(2 * half + 3)[1:-1]
    return np.convolve(padded, kernel / kernel.sum(), mode="valid")

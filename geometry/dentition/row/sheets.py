"""The arch rolled out: facial and lingual surfaces as images over arc length and height.

A horizontal ray at arc length ``s`` and height ``z`` first meets the facial surface
from outside and the lingual one from inside; the images hold the outward distance at
which it does. Undercuts do not hide anything from horizontal rays, so crown, margin
and gingiva are all there, whatever the shape of the ridge below.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from geometry.dentition.gum.triangle import parts_of, twice_area

Array = NDArray[np.float64]

STEP_S_MM = 0.25
STEP_Z_MM = 0.2
TOP_MM = 3.0
BOTTOM_MM = -30.0
REACH_FACIAL_MM = 12.0
REACH_LINGUAL_MM = 16.0
CORE_MM = 7.0


@dataclass(frozen=True, slots=True)
class Sheets:
    """Rolled-out images of one scan; rows are arc length, columns height from the top.

    Attributes
    ----------
    z : (m,) float64
        Heights, falling, mm from the occlusal plane.
    facial, lingual : (n, m) float64
        Outward distance of the surface, NaN where there is none.
    top : (n,) float64
        Highest surface near the arch line, NaN where there is none.
    """

    z: Array
    facial: Array
    lingual: Array
    top: Array


@njit(cache=True, nogil=True)
def _fill(sn, height, faces, outward, tangent_index, n_s, n_z, step_s, step_z, z_top,  # type: ignore[no-untyped-def]
          local, facial, lingual, top):
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        sa, sb, sc = sn[a, 0], sn[b, 0], sn[c, 0]
        if max(sa, sb, sc) - min(sa, sb, sc) > 4.0:
            continue
        na, nb, nc = sn[a, 1], sn[b, 1], sn[c, 1]
        za, zb, zc = height[a], height[b], height[c]
        mean = (na + nb + nc) / 3.0
        if mean > REACH_FACIAL_MM or mean < -REACH_LINGUAL_MM:
            continue
        ux = local[b, 0] - local[a, 0]
        uy = local[b, 1] - local[a, 1]
        uz = local[b, 2] - local[a, 2]
        vx = local[c, 0] - local[a, 0]
        vy = local[c, 1] - local[a, 1]
        vz = local[c, 2] - local[a, 2]
        nx = uy * vz - uz * vy
        ny = uz * vx - ux * vz
        nz = ux * vy - uy * vx
        # The mean of the three corners, so that none of them comes first.
        ka, kb, kc = tangent_index[a], tangent_index[b], tangent_index[c]
        facing = nx * (outward[ka, 0] + outward[kb, 0] + outward[kc, 0]) / 3.0
        facing += ny * (outward[ka, 1] + outward[kb, 1] + outward[kc, 1]) / 3.0
        size = np.sqrt(nx * nx + ny * ny + nz * nz)
        if size <= 0.0:
            continue
        facing /= size
        ia, ib, ic = sa / step_s, sb / step_s, sc / step_s
        ja, jb, jc = (z_top - za) / step_z, (z_top - zb) / step_z, (z_top - zc) / step_z
        i0 = max(int(np.ceil(min(ia, ib, ic) - 1e-9)), 0)
        i1 = min(int(np.floor(max(ia, ib, ic) + 1e-9)), n_s - 1)
        j0 = max(int(np.ceil(min(ja, jb, jc) - 1e-9)), 0)
        j1 = min(int(np.floor(max(ja, jb, jc) + 1e-9)), n_z - 1)
        if abs(mean) < CORE_MM:
            for i in range(i0, i1 + 1):
                high = max(za, zb, zc)
                if high > top[i]:
                    top[i] = high
        if abs(facing) < 0.05:
            continue
        det = twice_area(ia, ja, ib, jb, ic, jc)
        if abs(det) < 1e-12:
            continue
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                p, q = parts_of(i, j, ia, ja, ib, jb, ic, jc, det)
                if p < -1e-6 or q < -1e-6 or p + q > 1.0 + 1e-6:
                    continue
                n = na + p * (nb - na) + q * (nc - na)
                if facing > 0:
                    if np.isnan(facial[i, j]) or n > facial[i, j]:
                        facial[i, j] = n
                elif np.isnan(lingual[i, j]) or n < lingual[i, j]:
                    lingual[i, j] = n


def roll_out(local: Array, faces: NDArray[np.int32], sn: Array, index: NDArray[np.int64],
             outward: Array, length: float) -> Sheets:
    """Raster a scan into its rolled-out images.

    Parameters
    ----------
    local : (n, 3) float64
        Vertices in (right, anterior, occlusal) axes, faces oriented outwards.
    faces : (m, 3) int32
    sn : (n, 2) float64
        Arc length and outward distance of the vertices.
    index : (n,) int64
        Nearest arch line point of each vertex.
    outward : (k, 2) float64
        Outward normals of the arch line.
    length : float
        Length of the arch line with its tails, mm.
    """
    n_s = int(np.ceil(length / STEP_S_MM)) + 1
    lowest = max(float(local[:, 2].min()), BOTTOM_MM)
    n_z = int(np.ceil((TOP_MM - lowest) / STEP_Z_MM)) + 2
    facial = np.full((n_s, n_z), np.nan)
    lingual = np.full((n_s, n_z), np.nan)
    top = np.full(n_s, -1e9)
    _fill(sn, np.ascontiguousarray(local[:, 2]), faces, outward, index, n_s, n_z,
          STEP_S_MM, STEP_Z_MM, TOP_MM, local, facial, lingual, top)
    top[top < -1e8] = np.nan
    z = TOP_MM - np.arange(n_z) * STEP_Z_MM
    return Sheets(np.asarray(z, dtype=np.float64), facial, lingual, top)


def smoothed(sheet: Array, sigma_s: float, sigma_z: float) -> tuple[Array, NDArray[np.bool_]]:
    """Gaussian smoothing that ignores missing pixels; also which pixels are supported.

    Parameters
    ----------
    sheet : (n, m) float64 with NaN
    sigma_s, sigma_z : float, mm
    """
    there = ~np.isnan(sheet)
    sigma = (sigma_s / STEP_S_MM, sigma_z / STEP_Z_MM)
    weight = gaussian_filter(there.astype(np.float64), sigma, truncate=3.0)
    total = gaussian_filter(np.where(there, sheet, 0.0), sigma, truncate=3.0)
    known = weight > 0.35
    return np.where(known, total / np.maximum(weight, 1e-9), np.nan), known


def lowest_scanned(sheet: Array, z: Array) -> Array:
    """Lowest height with surface in each column, NaN where there is none; (n,)."""
    there = ~np.isnan(sheet)
    last = sheet.shape[1] - 1 - np.argmax(there[:, ::-1], axis=1)
    return np.where(there.any(axis=1), z[last], np.nan)

"""The row of crowns seen from above."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.dentition.gum.triangle import parts_of, twice_area

Array = NDArray[np.float64]

CELL_MM = 0.15
HALF_MM = 9.0


@njit(cache=True, nogil=True)
def _shadow(sn, height, faces, step, half, out):  # type: ignore[no-untyped-def]
    rows, columns = out.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        sa, sb, sc = sn[a, 0], sn[b, 0], sn[c, 0]
        na, nb, nc = sn[a, 1], sn[b, 1], sn[c, 1]
        if min(na, nb, nc) < -half or max(na, nb, nc) > half:
            continue
        if max(sa, sb, sc) - min(sa, sb, sc) > 4.0:
            continue
        ia, ib, ic = sa / step, sb / step, sc / step
        ja, jb, jc = (na + half) / step, (nb + half) / step, (nc + half) / step
        det = twice_area(ia, ja, ib, jb, ic, jc)
        if abs(det) < 1e-12:
            continue
        i0 = max(int(np.ceil(min(ia, ib, ic))), 0)
        i1 = min(int(np.floor(max(ia, ib, ic))), rows - 1)
        j0 = max(int(np.ceil(min(ja, jb, jc))), 0)
        j1 = min(int(np.floor(max(ja, jb, jc))), columns - 1)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                p, q = parts_of(i, j, ia, ja, ib, jb, ic, jc, det)
                if p < -1e-6 or q < -1e-6 or p + q > 1.0 + 1e-6:
                    continue
                z = height[a] + p * (height[b] - height[a]) + q * (height[c] - height[a])
                if z > out[i, j]:
                    out[i, j] = z


def shadow_map(sn: Array, height: Array, faces: NDArray[np.int32], length: float) -> Array:
    """Highest surface over arc length and outward distance; −99 where there is none."""
    out = np.full((int(length / CELL_MM) + 2, int(2 * HALF_MM / CELL_MM) + 2), -99.0)
    _shadow(sn, height, faces, CELL_MM, HALF_MM, out)
    return out

"""Orthonormal bases along a direction, and points along them."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError

_ODD = np.array([0.5257311, 0.2763932, 0.8044])


def basis_along(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return rows (u, v, direction): an orthonormal basis at an odd angle about it."""
    w = np.asarray(direction, dtype=np.float64)
    length = float(np.linalg.norm(w))
    if not np.isfinite(length) or length == 0.0:
        raise GeometryError("the removal direction has no length; give a vector")
    w = w / length
    u = np.cross(w, _ODD)
    if np.linalg.norm(u) < 0.3:
        u = np.cross(w, np.roll(_ODD, 1))
    u /= np.linalg.norm(u)
    return np.stack([u, np.cross(w, u), w])


@njit(cache=True, nogil=True)
def along_basis(points, basis):  # type: ignore[no-untyped-def]
    """Return points (n, 3) along the rows of a basis.

    Not a matrix product: that would wake the threads of the linear algebra library,
    which costs more than the three sums.
    """
    turned = np.empty((points.shape[0], 3), dtype=np.float64)
    for v in range(points.shape[0]):
        for axis in range(3):
            turned[v, axis] = (
                points[v, 0] * basis[axis, 0]
                + points[v, 1] * basis[axis, 1]
                + points[v, 2] * basis[axis, 2]
            )
    return turned

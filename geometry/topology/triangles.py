"""Vector area of a triangle, for compiled loops."""

from __future__ import annotations

from numba import njit


@njit(cache=True, nogil=True)
def cross_of(vertices, i, j, k):  # type: ignore[no-untyped-def]
    """Return the cross product of the sides from corner ``i``: twice the vector area."""
    ux = vertices[j, 0] - vertices[i, 0]
    uy = vertices[j, 1] - vertices[i, 1]
    uz = vertices[j, 2] - vertices[i, 2]
    vx = vertices[k, 0] - vertices[i, 0]
    vy = vertices[k, 1] - vertices[i, 1]
    vz = vertices[k, 2] - vertices[i, 2]
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx

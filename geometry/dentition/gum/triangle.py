"""Where a cell lies in a triangle, for compiled loops over rolled-out images of a scan."""

from __future__ import annotations

from numba import njit


@njit(cache=True, nogil=True)
def twice_area(ia, ja, ib, jb, ic, jc):  # type: ignore[no-untyped-def]
    """Twice the signed area of a triangle in a plane; 0 where it is seen edge on."""
    return (ib - ia) * (jc - ja) - (ic - ia) * (jb - ja)


@njit(cache=True, nogil=True)
def parts_of(i, j, ia, ja, ib, jb, ic, jc, det):  # type: ignore[no-untyped-def]
    """Parts of the second and third corner in a place (barycentric); ``det``: twice the area."""
    p = ((i - ia) * (jc - ja) - (ic - ia) * (j - ja)) / det
    q = ((ib - ia) * (j - ja) - (i - ia) * (jb - ja)) / det
    return p, q

"""Axes: of an arch, along a direction, or of a cloud of points; and points along them."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError

_ODD = np.array([0.5257311, 0.2763932, 0.8044])


class ArchAxes(Protocol):
    """The axes of an arch, see :class:`geometry.frame.Frame`; file coordinates, unit vectors."""

    @property
    def origin(self) -> NDArray[np.float64]:
        """Where the occlusal plane and the midline meet, (3,) mm."""

    @property
    def right(self) -> NDArray[np.float64]:
        """Towards the patient's right, (3,)."""

    @property
    def anterior(self) -> NDArray[np.float64]:
        """Towards the front, (3,)."""

    @property
    def occlusal(self) -> NDArray[np.float64]:
        """From the gums to the biting surfaces, (3,)."""


@njit(cache=True, nogil=True)
def _second_moments(points):  # type: ignore[no-untyped-def]
    n = points.shape[0]
    mean = np.zeros(3)
    for v in range(n):
        for i in range(3):
            mean[i] += points[v, i]
    mean /= max(n, 1)
    moments = np.zeros((3, 3))
    for v in range(n):
        x, y, z = points[v, 0] - mean[0], points[v, 1] - mean[1], points[v, 2] - mean[2]
        moments[0, 0] += x * x
        moments[0, 1] += x * y
        moments[0, 2] += x * z
        moments[1, 1] += y * y
        moments[1, 2] += y * z
        moments[2, 2] += z * z
    moments[1, 0], moments[2, 0], moments[2, 1] = moments[0, 1], moments[0, 2], moments[1, 2]
    return mean, moments / max(n, 1)


@njit(cache=True, nogil=True)
def _third_moments(points, mean, axes):  # type: ignore[no-untyped-def]
    found = np.zeros(3)
    for v in range(points.shape[0]):
        for k in range(3):
            along = 0.0
            for i in range(3):
                along += (points[v, i] - mean[i]) * axes[k, i]
            found[k] += along * along * along
    return found


def own_axes(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the principal axes of points, the same whatever way they are turned.

    What is sampled on a grid along them does not depend on how a scanner or a person laid
    the scan in its file.

    Parameters
    ----------
    points : (n, 3) float64

    Returns
    -------
    (3, 3) float64
        Rows: a right-handed rotation. The longest axis first; each points to where the
        cloud reaches farther, but for the evenest, which the other two settle.
    """
    if len(points) < 3:
        return np.eye(3)
    mean, moments = _second_moments(points)
    sizes, columns = np.linalg.eigh(moments)
    axes: NDArray[Any] = np.ascontiguousarray(columns.T[::-1])
    leaning = _third_moments(points, mean, axes) / np.maximum(sizes[::-1], 1e-30) ** 1.5
    axes[leaning < 0.0] *= -1.0
    if np.linalg.det(axes) < 0.0:
        axes[int(np.argmin(np.abs(leaning)))] *= -1.0
    return axes


def basis_along(
    direction: NDArray[np.float64], own: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Return rows (u, v, direction): an orthonormal basis at an odd angle about it.

    ``own``: axes (3, 3) of the body, which the angle then belongs to.
    """
    w = np.asarray(direction, dtype=np.float64)
    length = float(np.linalg.norm(w))
    if not np.isfinite(length) or length == 0.0:
        raise GeometryError("the removal direction has no length; give a vector")
    w = w / length
    axes = np.eye(3) if own is None else own
    u = np.cross(w, _ODD @ axes)
    if np.linalg.norm(u) < 0.3:
        u = np.cross(w, np.roll(_ODD, 1) @ axes)
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

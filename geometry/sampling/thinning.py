"""Some of a surface's vertices, the same ones whatever their order and the pose."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.axes import along_basis, own_axes
from geometry.topology.adjacency import Neighbours

# Vertices within one cell are chosen together. Cells are smaller than triangles, and so much larger
# than rounding that hardly a vertex changes its cell where a scan is turned.
_CELL_MM = 0.1


@njit(cache=True, nogil=True)
def _chosen(places, inverse, one_in, out):  # type: ignore[no-untyped-def]
    for v in range(places.shape[0]):
        mixed = np.uint64(0)
        for axis in range(3):
            cell = np.uint64(np.int64(np.floor(places[v, axis] * inverse)))
            # Multiplied and folded, so that cells in a row differ in every bit.
            mixed = (mixed ^ cell) * np.uint64(0x9E3779B97F4A7C15)
            mixed ^= mixed >> np.uint64(29)
        out[v] = mixed % np.uint64(one_in) == np.uint64(0)


def some_of(points: NDArray[np.float64], about: int) -> NDArray[np.bool_]:
    """Choose from many points about as many as asked for, by where they lie among the others.

    Parameters
    ----------
    points : (n, 3) float64
        Finite, mm.
    about : int
        Up to twice as many are chosen, and all where there are no more.

    Returns
    -------
    (n,) bool
    """
    one_in = len(points) // about
    if one_in < 2:
        return np.ones(len(points), dtype=np.bool_)
    turned = along_basis(points, own_axes(points))
    out = np.empty(len(points), dtype=np.bool_)
    _chosen(turned - turned.mean(axis=0), 1.0 / _CELL_MM, one_in, out)
    return out


@njit(cache=True, nogil=True)
def _lengths(points, start, neighbour, chosen, out):  # type: ignore[no-untyped-def]
    count = 0
    for v in range(chosen.size):
        if chosen[v]:
            for e in range(start[v], start[v + 1]):
                square = 0.0
                for axis in range(3):
                    square += (points[neighbour[e], axis] - points[v, axis]) ** 2
                out[count] = np.sqrt(square)
                count += 1
    return count


def edge_lengths(
    points: NDArray[np.float64], near: Neighbours, chosen: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Lengths of the edges from the chosen vertices, mm; those between two of them are told twice.

    Parameters
    ----------
    points : (n, 3) float64
    near : Neighbours
    chosen : (n,) bool
    """
    out = np.empty(int(np.diff(near.start)[chosen].sum()))
    return out[: _lengths(points, near.start, near.vertex, chosen, out)]

"""Edges where a surface touches itself: four of its triangles meet, two and two."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.topology.edges import BORDER

Halves = NDArray[np.int64]

FLATTER_RAD = 0.02
"""Where one way to pair four triangles folds them less by no more than this, none is told."""

_NEVER = 1e3
_AROUND = ((0, 1, 2, 3), (1, 2, 3, 0))
"""Triangles in order around an edge, and the two ways to pair neighbours: 01 23, and 12 30."""


def pair_branches(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], opposite: NDArray[np.int32]
) -> Halves:
    """Pair the triangles at edges where four open half-edges meet, in place.

    Neighbours around the edge are paired, so that the sheets do not pass through each other,
    in the way that folds them less; only such as are wound alike.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int32
        Wound alike.
    opposite : (3 m,) int32
        Changed where pairs are found.

    Returns
    -------
    (k, 4) int64
        Half-edges of all such edges, paired or not.
    """
    every = four = _meeting(faces, opposite)
    if not len(four):
        return four
    low, high = _ends(faces, four)
    apex = faces[four // 3, (four % 3 + 2) % 3]
    axis = vertices[high[:, 0]] - vertices[low[:, 0]]
    axis /= np.linalg.norm(axis, axis=1)[:, None]
    arm = vertices[apex] - vertices[low]
    arm -= (arm @ axis[:, :, None]) * axis[:, None, :]
    length = np.linalg.norm(arm, axis=2)
    sharp = length.min(axis=1) > 1e-9
    four, axis, arm = four[sharp], axis[sharp], arm[sharp] / length[sharp][:, :, None]
    across = np.cross(axis, arm[:, 0])
    angle = np.arctan2((arm * across[:, None]).sum(axis=2), (arm * arm[:, :1]).sum(axis=2)) % (
        2.0 * np.pi
    )
    order = np.argsort(angle, axis=1, kind="stable")
    four, angle = np.take_along_axis(four, order, 1), np.take_along_axis(angle, order, 1)
    gap = np.diff(angle, axis=1, append=angle[:, :1] + 2.0 * np.pi)
    upward = faces[four // 3, four % 3] < faces[four // 3, (four % 3 + 1) % 3]
    folds = []
    for a, b, c, d in _AROUND:
        alike = (upward[:, a] != upward[:, b]) & (upward[:, c] != upward[:, d])
        fold = np.abs(np.pi - gap[:, a]) + np.abs(np.pi - gap[:, c])
        folds.append(np.where(alike, fold, _NEVER))
    told = (np.abs(folds[0] - folds[1]) > FLATTER_RAD) & (np.minimum(*folds) < _NEVER)
    for (a, b, c, d), better in zip(
        _AROUND, (folds[0] < folds[1], folds[1] < folds[0]), strict=True
    ):
        for one, other in ((a, b), (c, d)):
            h, g = four[told & better, one], four[told & better, other]
            opposite[h], opposite[g] = g, h
    return every


def part_again(faces: NDArray[np.int32], opposite: NDArray[np.int32], four: Halves) -> bool:
    """Cut paired edges whose four triangles still share both ends; return whether any do.

    ``faces`` has a vertex for each fan: elsewhere the two sheets have ends of their own.
    """
    low, high = _ends(faces, four)
    same = (low == low[:, :1]).all(axis=1) & (high == high[:, :1]).all(axis=1)
    same &= (opposite[four] >= 0).all(axis=1)
    opposite[four[same].ravel()] = BORDER
    return bool(same.any())


def join_parted(faces: NDArray[np.int32], opposite: NDArray[np.int32], four: Halves) -> bool:
    """Pair what is still cut where just two triangles share both ends; return whether any do.

    ``faces`` has a vertex for each fan, and fans end at the cut edges.
    """
    half = four[opposite[four] < 0]
    low, high = _ends(faces, half)
    key = low.astype(np.int64) << 32 | high
    order = np.argsort(key, kind="stable")
    _, first, times = np.unique(key[order], return_index=True, return_counts=True)
    h, g = half[order][first[times == 2]], half[order][first[times == 2] + 1]
    alike = faces[h // 3, h % 3] != faces[g // 3, g % 3]
    h, g = h[alike], g[alike]
    opposite[h], opposite[g] = g, h
    return bool(h.size)


def _meeting(faces: NDArray[np.int32], opposite: NDArray[np.int32]) -> Halves:
    """Open half-edges where four of them meet at an edge, (k, 4)."""
    half = np.flatnonzero(opposite < 0)
    low, high = _ends(faces, half)
    key = low.astype(np.int64) << 32 | high
    order = np.argsort(key, kind="stable")
    _, first, times = np.unique(key[order], return_index=True, return_counts=True)
    return np.asarray(half[order][first[times == 4][:, None] + np.arange(4)])


def _ends(faces: NDArray[np.int32], halves: Halves) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """The lower and the higher number of the two ends of each half-edge."""
    a, b = faces[halves // 3, halves % 3], faces[halves // 3, (halves % 3 + 1) % 3]
    return np.minimum(a, b), np.maximum(a, b)

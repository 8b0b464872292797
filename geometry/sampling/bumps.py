"""Blisters and webs: moisture that the scanner took for surface.

A drop on a wall, or a film across the gap between two teeth, stands out as a bump of
about a millimetre. Cusps, edges and papillae stand out as much, but they face the
biting side; on a steep surface nothing natural does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.mesh import Mesh
from geometry.sampling.fields import mark_near_border, smooth
from geometry.topology.adjacency import vertex_normals

# Even spacing at which bumps are looked for, whatever the density of the scan.
CELL_MM = 0.3
# Averaging with the neighbours r times at spacing e reaches about e √r.
_REACH_MM = 0.93
# Steep is what faces less than this towards the biting side (cosine).
_STEEP = 0.2
# What a surface may stand out more when it faces that way, mm per unit of cosine.
_ALLOWANCE_MM = 0.65
# Near the biting surfaces corners of incisal edges stand out even where they are steep.
_EDGE_ZONE_MM, _EDGE_ALLOWANCE_MM = 2.5, 0.1
_APART_MM = 2.0
# This far below the biting surfaces nothing natural that faces them is round and small:
# folds of the palate are long, papillae and the frenum stand higher or are broad.
_GUM_ZONE_MM = 11.0
_RING_MM = (1.1, 1.7)
_SECTORS = 8
_ROUND_DROP_MM, _ROUND_LEAST = 0.45, 0.7
_MOST_TRIED = 300


@dataclass(frozen=True, slots=True)
class Bump:
    """A place that stands out of its surroundings.

    Attributes
    ----------
    at : (3,) float64
    height_mm : float
        Above the surface averaged over about 0.9 mm around, less what the place may
        stand out by the way it faces; of a round one on gum that faces the biting side,
        above the highest part of the ring around it.
    """

    at: NDArray[np.float64]
    height_mm: float


@njit(cache=True, nogil=True)
def _links(faces, count):  # type: ignore[no-untyped-def]
    """Return each vertex's neighbours as compressed rows, each once."""
    start = np.zeros(count + 1, dtype=np.int32)
    for t in range(faces.shape[0]):
        for k in range(3):
            start[faces[t, k] + 1] += 2
    for v in range(count):
        start[v + 1] += start[v]
    every = np.empty(start[count], dtype=np.int32)
    cursor = start[:-1].copy()
    for t in range(faces.shape[0]):
        for k in range(3):
            v = faces[t, k]
            every[cursor[v]] = faces[t, (k + 1) % 3]
            every[cursor[v] + 1] = faces[t, (k + 2) % 3]
            cursor[v] += 2
    filled = 0
    seen = np.full(count, -1, dtype=np.int32)
    first = np.zeros(count + 1, dtype=np.int32)
    for v in range(count):
        for e in range(start[v], start[v + 1]):
            w = every[e]
            if seen[w] != v:
                seen[w] = v
                every[filled] = w
                filled += 1
        first[v + 1] = filled
    return first, every[:filled].copy()


def _least_drops(
    points: NDArray[np.float64], facing: NDArray[np.float64], tops: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Drop of the surface around each of ``tops`` in the direction of least drop, (n,) mm.

    Measured along the normal on a ring; 0 where a sector of the ring has no surface.
    """
    around = cKDTree(points).query_ball_point(points[tops], 1.2 * _RING_MM[1])
    least = np.zeros(len(tops))
    for k, (top, near) in enumerate(zip(tops, around, strict=True)):
        away = points[near] - points[top]
        height = away @ facing[top]
        flat = away - height[:, None] * facing[top]
        reach = np.linalg.norm(flat, axis=1)
        ring = (reach > _RING_MM[0]) & (reach < _RING_MM[1])
        across = np.cross(facing[top], [1.0, 0.0, 0.0] if abs(facing[top, 0]) < 0.7 else [0, 1, 0])
        across /= np.linalg.norm(across)
        turn = np.arctan2(flat[ring] @ np.cross(facing[top], across), flat[ring] @ across)
        sector = ((turn / (2.0 * np.pi) + 0.5) * _SECTORS).astype(int) % _SECTORS
        count = np.bincount(sector, minlength=_SECTORS)
        if (count > 0).all():
            drop = np.bincount(sector, -height[ring], _SECTORS) / count
            least[k] = float(drop.min())
    return least


def find_bumps(
    coarse: Mesh,
    border: NDArray[np.float64],
    axis: NDArray[np.float64],
    level: float,
    outward: int,
    least_mm: float,
) -> tuple[Bump, ...]:
    """Find bumps on a surface.

    Parameters
    ----------
    coarse : Mesh
        The surface with one vertex for each cell of ``CELL_MM``; wound alike.
    border : (k, 3) float64
        Border points; within about a millimetre of them nothing is judged.
    axis : (3,) float64
        Unit vector from the gums to the biting surfaces.
    level : float
        Height of the occlusal plane along ``axis``.
    outward : int
        +1 when the winding's normals point outward, else -1.
    least_mm : float
        Bumps lower than this are left out.

    Returns
    -------
    tuple of Bump
        Highest first.
    """
    if len(coarse.faces) == 0:
        return ()
    start, neighbour = _links(coarse.faces, len(coarse.vertices))
    normals = vertex_normals(coarse) * outward
    rows = np.repeat(np.arange(len(coarse.vertices)), np.diff(start))
    links = coarse.vertices[rows] - coarse.vertices[neighbour]
    spacing = float(np.median(np.linalg.norm(links, axis=1)))
    rounds = int(np.clip(np.round((_REACH_MM / max(spacing, 1e-6)) ** 2), 1, 12))
    smoothed = smooth(coarse.vertices, start, neighbour, rounds)
    facing = smooth(normals, start, neighbour, 3)
    facing /= np.linalg.norm(facing, axis=1, keepdims=True) + 1e-12
    out = ((coarse.vertices - smoothed) * facing).sum(axis=1)
    plain = out.copy()
    out -= _ALLOWANCE_MM * np.clip(facing @ axis - _STEEP, 0.0, None)
    out[coarse.vertices @ axis > level - _EDGE_ZONE_MM] -= _EDGE_ALLOWANCE_MM
    near = np.zeros(len(out), dtype=np.uint8)
    if len(border):
        _, edge = cKDTree(coarse.vertices).query(border)
        mark_near_border(start, neighbour, np.unique(edge).astype(np.int32), 3, near)
    out[near > 0] = 0.0
    gum = (near == 0) & (coarse.vertices @ axis < level - _GUM_ZONE_MM)
    maybe = np.flatnonzero(gum & (plain >= _ROUND_LEAST * least_mm) & (out < least_mm))
    maybe = maybe[np.argsort(-plain[maybe], kind="stable")][:_MOST_TRIED]
    drops = _least_drops(coarse.vertices, facing, maybe)
    is_round = drops >= _ROUND_DROP_MM
    out[maybe[is_round]] = drops[is_round]
    order = np.flatnonzero(out >= least_mm)
    order = order[np.argsort(-out[order], kind="stable")]
    bumps: list[Bump] = []
    for v in order.tolist():
        place = coarse.vertices[v]
        if all(np.linalg.norm(place - bump.at) > _APART_MM for bump in bumps):
            bumps.append(Bump(place.copy(), float(out[v])))
    return tuple(bumps)

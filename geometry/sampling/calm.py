"""A smoothed copy of a very noisy scan, on which form is measured instead.

Noise of a few tenths of a millimetre makes undercuts everywhere (four times the true volume at
.3 mm, on a generated mouth), teeth of spikes and crossings of neighbours, and costs many times the
usual time. Averaged over half a millimetre it is a tenth, and crowns hardly change.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.sampling.fields import mark_near_border, offsets, second_offsets, smooth
from geometry.sampling.thinning import edge_lengths, some_of
from geometry.topology import Topology

Array = NDArray[np.float64]

CALMED_FROM_MM = 0.12
"""Noise from which form is measured on the copy: twice what a scan may have without a word."""
JAGGED_FROM = 0.01
"""Share of jagged vertices from which it is: of 24 ordinary scans the most had .0003."""
_JAGGED_MM = 1.0
_REACH_MM, _MOST_ROUNDS = 0.5, 12
# Triangles larger than this are no noise: their corners lie apart because the mouth is no plane.
_COARSE_MM, _TRIED_ROUNDS = 0.6, 2
# The median around so many vertices is that of all.
_LOOKED_AT = 20_000
# Normals of the triangles themselves turn with noise of more than this share of an edge, and what
# is measured along them is less than the noise (four fifths of .3 mm); of 410 generated scans
# without planted noise none had more than .15.
_TURNING = 0.2
# Standard deviation of the second difference of independent unit noise on a regular
# triangle lattice: I - A/3 + A²/36 with A the six neighbours; the root of the sum of
# its squared weights.
_SECOND_GAIN = 1.3590
_NORMAL_MAD = 0.6745


def away_from_border(topology: Topology) -> NDArray[np.bool_]:
    """Which vertices of the main piece lie neither on a border nor right beside one, (n,)."""
    edge = np.zeros(len(topology.main.vertices), dtype=np.uint8)
    loops = [topology.border, *topology.holes]
    border = np.concatenate(
        [loop.vertices for loop in loops if loop is not None] or [np.empty(0, dtype=np.int32)]
    )
    mark_near_border(topology.neighbours.start, topology.neighbours.vertex, border, 1, edge)
    return edge == 0


def noise_alone(second: Array) -> Array:
    """What each second difference alone says about the noise, mm; their median is the noise."""
    return np.abs(second) / (_NORMAL_MAD * _SECOND_GAIN)


@dataclass(frozen=True, slots=True)
class Roughness:
    """How rough the main piece is, and from what that is told.

    Attributes
    ----------
    first, second : (n,) float64
        Height of each vertex over its neighbours' mean, and of that over theirs, mm.
    inner : (n,) bool
        Neither on a border nor right beside one.
    alone : float64
        What each inner vertex alone says about the noise, mm.
    copy : Topology, optional
        The same averaged, where it was needed for telling.
    """

    first: Array
    second: Array
    inner: NDArray[np.bool_]
    alone: Array
    copy: Topology | None = None

    @property
    def noise_mm(self) -> float:
        """Noise of the whole, as ``Sampling`` has it."""
        return float(np.median(self.alone)) if len(self.alone) else 0.0

    @property
    def jagged(self) -> float:
        """Share of it that is jagged."""
        return float((self.alone > _JAGGED_MM).mean()) if len(self.alone) else 0.0


def roughness(topology: Topology) -> Roughness:
    """Look how rough the main piece is; a very rough one along the normals of a calmer copy."""
    found = _along(topology, topology.vertex_normals)
    if found.noise_mm <= _TURNING * median_edge(topology):
        return found
    copy = calmed(topology)
    return replace(_along(topology, copy.vertex_normals), copy=copy)


def _along(topology: Topology, normals: Array) -> Roughness:
    """How rough the main piece is along normals of its vertices."""
    near = topology.neighbours
    first = np.empty(len(normals))
    offsets(topology.main.vertices, normals, near.start, near.vertex, first)
    second = np.empty_like(first)
    second_offsets(first, near.start, near.vertex, second)
    inner = away_from_border(topology)
    return Roughness(first, second, inner, noise_alone(second[inner]))


def median_edge(topology: Topology) -> float:
    """Median length of the main piece's edges, mm."""
    return _median_edge(topology.main.vertices, topology)


def _median_edge(points: Array, topology: Topology) -> float:
    lengths = edge_lengths(points, topology.neighbours, some_of(points, _LOOKED_AT))
    return float(np.median(lengths))


def calmed(topology: Topology) -> Topology:
    """The same with the main piece averaged over half a millimetre; its triangles stay.

    A scan of large triangles comes back as it is.
    """
    near = topology.neighbours
    # Noise makes edges longer than the spacing is, which shows once most of it is gone.
    points = smooth(topology.main.vertices, near.start, near.vertex, _TRIED_ROUNDS)
    edge = _median_edge(points, topology)
    if edge > _COARSE_MM:
        return topology
    rounds = min(round((_REACH_MM / max(edge, 1e-6)) ** 2), _MOST_ROUNDS)
    points = smooth(points, near.start, near.vertex, max(rounds - _TRIED_ROUNDS, 0))
    return replace(topology, main=Mesh(points, topology.main.faces))

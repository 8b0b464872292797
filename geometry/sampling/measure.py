"""Edge length, noise and spikes of a surface, and where it is far rougher or smoother."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geometry.sampling.fields import (
    distances_to_mean,
    mark_near_border,
    offsets,
    second_offsets,
)
from geometry.sampling.patches import Patch, uneven_patches
from geometry.sampling.thinning import edge_lengths, some_of
from geometry.topology import Topology

# Standard deviation of the second difference of independent unit noise on a regular
# triangle lattice: I - A/3 + A²/36 with A the six neighbours; the root of the sum of
# its squared weights.
_SECOND_GAIN = 1.3590
_NORMAL_MAD = 0.6745
# A spike is at least this sharp: height over the distance to its neighbours.
_SHARP = 0.8
# Spikes that lie so near to each other, so many of them, are a jagged surface.
_JAGGED, _JAGGED_MM = 4, 5.0
_ONE_MM = 1.0  # nearer to each other they are one
# Between crowns sheets of long triangles meet in grooves as sharp as a spike that points inward;
# but their walls climb on, while a spike's neighbours lie in one surface.
_CLIMBS = 1.6


@dataclass(frozen=True, slots=True)
class Spike:
    """A vertex far out of the surface of its neighbours.

    Attributes
    ----------
    at : (3,) float64
    height_mm : float
    lean : float
        Cosine of its direction with the normal there as the triangles are wound.
    lowest : float
        How far below it along its direction the lowest of its neighbours lies, in heights.
    """

    at: NDArray[np.float64]
    height_mm: float
    lean: float = 1.0
    lowest: float = 1.0


@dataclass(frozen=True, slots=True)
class Sampling:
    """How finely and how truly the main piece was sampled.

    Attributes
    ----------
    median_edge_mm : float
    noise_mm : float
        Standard deviation along the normal that independent noise of the vertices
        would need to explain their second differences; robust against edges and
        grooves. What the scanner smoothed away does not show.
    spikes : tuple of Spike
        Highest first.
    rough, smooth : tuple of Patch
        Places far rougher, or far smoother, than the whole; largest first.
    """

    median_edge_mm: float
    noise_mm: float
    spikes: tuple[Spike, ...]
    rough: tuple[Patch, ...] = ()
    smooth: tuple[Patch, ...] = ()


def measure(topology: Topology, spike_mm: float) -> Sampling:
    """Measure the sampling of the main piece.

    Parameters
    ----------
    topology : Topology
    spike_mm : float
        A vertex this far from its neighbours' mean, near ones counting most, and sharp,
        is a spike.
    """
    mesh, near = topology.main, topology.neighbours
    normals = topology.vertex_normals
    # The median around so many vertices is that of all.
    lengths = edge_lengths(mesh.vertices, near, some_of(mesh.vertices, 20_000))
    first = np.empty(len(mesh.vertices))
    offsets(mesh.vertices, normals, near.start, near.vertex, first)
    second = np.empty_like(first)
    second_offsets(first, near.start, near.vertex, second)
    edge = np.zeros(len(first), dtype=np.uint8)
    loops = [topology.border, *topology.holes]
    border = np.concatenate(
        [loop.vertices for loop in loops if loop is not None] or [np.empty(0, dtype=np.int32)]
    )
    mark_near_border(near.start, near.vertex, border, 1, edge)
    inner = edge == 0
    alone = np.abs(second[inner]) / (_NORMAL_MAD * _SECOND_GAIN)
    noise = float(np.median(alone)) if len(alone) else 0.0
    rough, smooth = uneven_patches(
        mesh.vertices[inner], first[inner], second[inner], alone, noise, topology.area_mm2
    )
    spikes = _spikes(topology, inner, spike_mm)
    return Sampling(
        median_edge_mm=float(np.median(lengths)),
        noise_mm=noise,
        spikes=spikes,
        rough=rough + _jagged(spikes),
        smooth=smooth,
    )


def without_grooves(spikes: tuple[Spike, ...], outward: int, least_mm: float) -> tuple[Spike, ...]:
    """Leave out what points into the scan and is less deep than a limit, or no lone vertex.

    Parameters
    ----------
    spikes : tuple of Spike
    outward : int
        +1 when the winding's normals point outward, else -1.
    least_mm : float
    """
    return tuple(
        spike
        for spike in spikes
        if spike.lean * outward > 0.0 or (spike.height_mm >= least_mm and spike.lowest <= _CLIMBS)
    )


def _jagged(spikes: tuple[Spike, ...]) -> tuple[Patch, ...]:
    """Places where many spikes stand side by side."""
    if len(spikes) < _JAGGED:
        return ()
    places = np.array([spike.at for spike in spikes])
    heights = np.array([spike.height_mm for spike in spikes])
    pairs = cKDTree(places).query_pairs(_JAGGED_MM, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(places), len(places)))
    count, of = connected_components(links, directed=False)
    sizes = np.bincount(of, minlength=count)
    return tuple(
        Patch(places[of == k], float(sizes[k]), float(np.median(heights[of == k])))
        for k in np.flatnonzero(sizes >= _JAGGED).tolist()
    )


def _spikes(topology: Topology, inner: NDArray[np.bool_], spike_mm: float) -> tuple[Spike, ...]:
    """Return sharp vertices that stand ``spike_mm`` from the mean of their neighbours."""
    mesh, near = topology.main, topology.neighbours
    # The plain mean is quick, and only chooses whom to ask.
    mean, height = np.empty_like(mesh.vertices), np.empty(len(mesh.vertices))
    distances_to_mean(mesh.vertices, near.start, near.vertex, mean, height)
    found = []
    for v in np.flatnonzero(inner & (height >= 0.5 * spike_mm)).tolist():
        around = mesh.vertices[near.vertex[near.start[v] : near.start[v + 1]]]
        # Near neighbours count most: where triangles are of uneven size the plain mean
        # lies far off though the surface is smooth.
        weight = 1.0 / np.maximum(((around - mesh.vertices[v]) ** 2).sum(axis=1), 1e-12)
        foot = (around * weight[:, None]).sum(axis=0) / weight.sum()
        high = float(np.linalg.norm(mesh.vertices[v] - foot))
        if high < spike_mm:
            continue
        apex = (mesh.vertices[v] - foot) / high
        # Beside long thin triangles even that lies off, but along the surface, which goes on there.
        if ((around - mesh.vertices[v]) @ apex).max() > 0.0:
            continue
        spread = around - foot
        beside = np.linalg.norm(spread - np.outer(spread @ apex, apex), axis=1)
        if high >= _SHARP * float(np.median(beside)):
            lean = float(apex @ topology.vertex_normals[v])
            lowest = float(((mesh.vertices[v] - around) @ apex).max()) / high
            found.append(Spike(mesh.vertices[v].copy(), high, lean, lowest))
    if not found:
        return ()
    found.sort(key=lambda spike: -spike.height_mm)
    tree = cKDTree(np.array([spike.at for spike in found]))
    free, kept = np.ones(len(found), dtype=np.bool_), []
    for k, spike in enumerate(found):
        if free[k]:
            kept.append(spike)
            free[tree.query_ball_point(spike.at, _ONE_MM)] = False
    return tuple(kept)

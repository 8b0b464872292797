"""Edge length, noise and spikes of a surface, and where it is far rougher or smoother."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geometry.sampling.calm import Roughness, median_edge, roughness
from geometry.sampling.fields import distances_to_mean, sharp_ones
from geometry.sampling.patches import Patch, uneven_patches
from geometry.sampling.thorns import thin_ones, walled
from geometry.topology import Topology

# A spike is at least this sharp: height over the distance to its neighbours.
_SHARP = 0.8
# What stands out by fewer standard deviations of the scan's noise is that noise.
_OF_NOISE = 6.0
# Spikes that lie so near to each other, so many of them, are a jagged surface.
_JAGGED, _JAGGED_MM = 4, 5.0
_ONE_MM = 1.0  # nearer to each other they are one
# Between crowns sheets of long triangles meet in grooves as sharp as a spike that points inward;
# but their walls climb on, while a spike's neighbours lie in one surface.
_CLIMBS = 1.6
# Tips of thorns stand off their neighbours' mean by so much of an edge, at least so far.
_TIP, _TIP_MM = 0.3, 0.05


@dataclass(frozen=True, slots=True)
class Spike:
    """A vertex far out of the surface of its neighbours, or the tip of a thin thorn.

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
    calmed : bool
        Whether all else is measured on a smoothed copy.
    """

    median_edge_mm: float
    noise_mm: float
    spikes: tuple[Spike, ...]
    rough: tuple[Patch, ...] = ()
    smooth: tuple[Patch, ...] = ()
    calmed: bool = False


def measure(topology: Topology, spike_mm: float, known: Roughness | None = None) -> Sampling:
    """Measure the sampling of the main piece.

    Parameters
    ----------
    topology : Topology
    spike_mm : float
        A vertex this far from its neighbours' mean, near ones counting most, and sharp,
        is a spike, where that is more than noise.
    known : Roughness, optional
        What was seen of it already.
    """
    mesh = topology.main
    known = roughness(topology) if known is None else known
    inner, alone, noise = known.inner, known.alone, known.noise_mm
    rough, smooth = uneven_patches(
        mesh.vertices[inner],
        known.first[inner],
        known.second[inner],
        alone,
        noise,
        topology.area_mm2,
    )
    edge = median_edge(topology)
    spikes = _spikes(topology, inner, max(spike_mm, _OF_NOISE * noise), edge)
    return Sampling(
        median_edge_mm=edge,
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


def _spikes(
    topology: Topology, inner: NDArray[np.bool_], spike_mm: float, edge_mm: float
) -> tuple[Spike, ...]:
    """Return thorns, and sharp vertices ``spike_mm`` from the mean of their neighbours."""
    mesh, near = topology.main, topology.neighbours
    # The plain mean is quick, and only chooses whom to ask.
    mean, height = np.empty_like(mesh.vertices), np.empty(len(mesh.vertices))
    distances_to_mean(mesh.vertices, near.start, near.vertex, mean, height)
    asked = np.flatnonzero(inner & (height >= 0.5 * spike_mm))
    high, apex = np.zeros(len(asked)), np.zeros((len(asked), 3))
    lowest = np.zeros(len(asked))
    sharp_ones(mesh.vertices, near.start, near.vertex, asked, spike_mm, _SHARP, high, apex, lowest)
    lean = (apex * topology.vertex_normals[asked]).sum(axis=1)
    found = [
        Spike(mesh.vertices[asked[k]].copy(), float(high[k]), float(lean[k]), float(lowest[k]))
        for k in np.flatnonzero(high).tolist()
    ]
    found += _thorns(topology, inner, height, max(_TIP * edge_mm, _TIP_MM))
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


def _thorns(
    topology: Topology, inner: NDArray[np.bool_], off: NDArray[np.float64], least_mm: float
) -> list[Spike]:
    """Return what is higher than thick; ``off`` (n,): how far vertices are off their neighbours."""
    mesh, near = topology.main, topology.neighbours
    high, axis = np.zeros(len(off)), np.zeros((len(off), 3))
    thin_ones(mesh.vertices, near.start, near.vertex, inner, off, least_mm, high, axis)
    tips = np.flatnonzero(high)
    if not len(tips):
        return []
    tips = tips[~walled(mesh.vertices, mesh.vertices[tips], axis[tips], high[tips])]
    lean = (axis[tips] * topology.vertex_normals[tips]).sum(axis=1)
    # A pit as thin as that is a fissure or the end of a groove.
    return [
        Spike(mesh.vertices[tip].copy(), float(high[tip]), float(lean[k]), np.inf)
        for k, tip in enumerate(tips.tolist())
    ]

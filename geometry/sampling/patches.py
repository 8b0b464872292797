"""Places that are far rougher, or far smoother, than the rest of a scan.

One figure for the noise of a whole scan hides a wet molar, and a hole that the scanner's
software filled shows as surface without any noise. Both are told by what most of the nearest
vertices say, so that an edge or a groove alone is neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geometry.sampling.thinning import some_of

Array = NDArray[np.float64]

_LOOKED_AT, _NEAREST = 20_000, 16
# Rough is what has this much noise and so many times the scan's, for more than half of a few
# square millimetres around.
_ROUGH_MM, _ROUGH_TIMES, _ROUGH_SHARE, _ROUGH_LEAST_MM2 = 0.015, 2.0, 0.5, 5.0
_ROUGH_NEAREST = 64
# Fine anatomy under large triangles has as large differences, but there a vertex and its
# neighbours lie off their surroundings to the same side (correlated by .28 and more on generated
# mouths of three kinds), which noise does not.
_ROUGH_ALIKE = 0.2
# Smooth is what has less than this share of the scan's noise, for nearly all of the nearest.
_SMOOTH_TIMES, _SMOOTH_SHARE, _SMOOTH_LEAST_MM2 = 0.2, 0.75, 8.0
# A scanner that smooths leaves no noise to tell by; where much is smooth, that is how it works;
# and no hole is so large that filling it would leave an arch. Right beside a filled hole the scan
# is as noisy as elsewhere, which tells it from gum that the scanner smooths more than teeth.
_NOISE_LEAST_MM, _SMOOTH_MOST_SHARE, _SMOOTH_MOST_MM2 = 0.002, 0.03, 150.0
_BESIDE, _BESIDE_TIMES = (3.0, 8.0), 0.6
# Where a vertex and its neighbours lie off alike everywhere (correlated by .91 and more without
# noise, by .73 at most with it, on generated mouths of seven kinds), what looks like noise is the
# form itself, and a flat place has none. What lies further off than so many medians is cut back:
# it would speak for all.
_FORM_ALIKE, _FORM_CUT = 0.82, 3.0
# Vertices looked at within so many mean spacings belong together.
_JOINED = 3.0


@dataclass(frozen=True, slots=True)
class Patch:
    """A place with another noise than the scan.

    Attributes
    ----------
    points : (k, 3) float64
        Vertices looked at that lie in it.
    area_mm2 : float
    noise_mm : float
        As :class:`geometry.sampling.measure.Sampling` has it for the whole, in this place.
    """

    points: Array
    area_mm2: float
    noise_mm: float


def uneven_patches(
    points: Array, first: Array, second: Array, noise: Array, noise_mm: float, area_mm2: float
) -> tuple[tuple[Patch, ...], tuple[Patch, ...]]:
    """Find the rough and the smooth places of a surface.

    Parameters
    ----------
    points : (n, 3) float64
        Vertices away from the border.
    first, second : (n,) float64
        Height of each over the mean of its neighbours along its normal, and the height of that
        over theirs, mm.
    noise : (n,) float64
        What each alone says about the noise, mm; its median is ``noise_mm``.
    noise_mm : float
    area_mm2 : float
        Of the whole surface.

    Returns
    -------
    rough, smooth : tuple of Patch
        Largest first.
    """
    looked_at = some_of(points, _LOOKED_AT)
    points, noise = points[looked_at], noise[looked_at]
    if len(points) < _ROUGH_NEAREST:
        return (), ()
    tree = cKDTree(points)
    each = area_mm2 / len(points)
    rough = noise > max(_ROUGH_MM, _ROUGH_TIMES * noise_mm)
    own, around = first[looked_at], (first - second)[looked_at]
    much = tuple(
        patch
        for patch, near in _patches(tree, noise, rough, _ROUGH_SHARE, _ROUGH_NEAREST, each)
        if min(patch.area_mm2, _spread(patch.points)) >= _ROUGH_LEAST_MM2
        and float(own[near] @ around[near]) < _ROUGH_ALIKE * float(own[near] @ own[near])
    )
    if noise_mm < _NOISE_LEAST_MM or _alike(own, around) > _FORM_ALIKE:
        return much, ()
    smooth = noise < _SMOOTH_TIMES * noise_mm
    found = _patches(tree, noise, smooth, _SMOOTH_SHARE, _NEAREST, each)
    little = [patch for patch, _ in found if patch.area_mm2 >= _SMOOTH_LEAST_MM2]
    if sum(patch.area_mm2 for patch in little) > _SMOOTH_MOST_SHARE * area_mm2:
        return much, ()
    spacing = float(np.sqrt(each))
    return much, tuple(
        patch
        for patch in little
        if patch.area_mm2 <= _SMOOTH_MOST_MM2
        and _beside(tree, noise, patch, spacing) > _BESIDE_TIMES * noise_mm
    )


def _spread(points: Array) -> float:
    """Area, mm², of the ellipse that places fill, from how far apart they lie.

    Where vertices crowd, as where columns of a structured sheet meet, their number says little.
    """
    if len(points) < 3:
        return 0.0
    _, second, first = np.linalg.eigvalsh(np.cov(points.T))
    # Within an ellipse evenly filled the variance along an axis is a quarter of its half squared.
    return float(4.0 * np.pi * np.sqrt(max(first * second, 0.0)))


def _alike(own: Array, around: Array) -> float:
    """How far vertices lie off to the same side as those around them, 1 where all as much."""
    most = _FORM_CUT * float(np.median(np.abs(own)))
    own, around = np.clip(own, -most, most), np.clip(around, -most, most)
    return float(own @ around) / max(float(own @ own), 1e-300)


def _beside(tree: cKDTree, noise: Array, patch: Patch, spacing: float) -> float:
    """Noise around a patch, between so many mean spacings from it."""
    near, far = (
        np.unique(np.concatenate(tree.query_ball_point(patch.points, times * spacing)))
        for times in _BESIDE
    )
    around = np.setdiff1d(far, near).astype(np.int64)
    return float(np.median(noise[around])) if len(around) else 0.0


def _patches(
    tree: cKDTree,
    noise: Array,
    odd: NDArray[np.bool_],
    share: float,
    nearest_count: int,
    each_mm2: float,
) -> list[tuple[Patch, NDArray[np.int64]]]:
    """Odd vertices most of whose nearest are odd, put together where they are neighbours.

    With each patch come the numbers of all vertices nearest to its own.
    """
    asked = np.flatnonzero(odd)
    if not len(asked):
        return []
    _, nearest = tree.query(tree.data[asked], k=nearest_count)
    most = odd[nearest].mean(axis=1) > share
    own, around = asked[most], nearest[most]
    places = np.asarray(tree.data)[own]
    reach = _JOINED * np.sqrt(each_mm2)
    pairs = cKDTree(places).query_pairs(reach, output_type="ndarray") if len(own) else own
    if not len(pairs):
        return []
    links = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(own), len(own)))
    count, of = connected_components(links, directed=False)
    sizes = np.bincount(of, minlength=count)
    found = []
    for k in np.argsort(-sizes, kind="stable").tolist():
        if sizes[k] > 1:
            near = around[of == k]
            area = float(sizes[k]) * each_mm2
            patch = Patch(places[of == k], area, float(np.median(noise[near[:, :_NEAREST]])))
            found.append((patch, np.unique(near).astype(np.int64)))
    return found

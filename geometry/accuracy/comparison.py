"""Compare rescans of printed check models with the file they were printed from."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.spatial import cKDTree

from geometry.accuracy.terms import describe_offsets, trueness_and_precision
from geometry.drawing import mesh_glb, render, view_from
from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.series.fitting import SAME_DIRECTION, fit
from geometry.series.surface import Surface

REACH_MM = 2.0
FIT_POINTS = 6000
LEAST_SHARE = 0.5
"""Of the rescan that must lie near the file for the comparison to mean anything."""
LEAST_SHOWN = 0.1
"""Of the file that a rescan must show: one in other units may lie within a single tooth of it."""
NEAR_MM = 1.0
SURE_SHARE = 0.97
STARTS = 6
COLOUR_MM = 0.25
_SCHEDULE = [(8.0, 3.0, 25), (3.0, 1.0, 20), (1.5, 0.4, 25)]
_LAST = [(2.0, 1.0, 25)]
"""Near to least squares at the end, as best fits in metrology are: a stretch is then shared
between both ends."""


@dataclass(frozen=True)
class Comparison:
    """What :func:`compare_print` found.

    Attributes
    ----------
    report : dict
        Ready for JSON.
    reference : Mesh
    offsets : (n,) float64
        Mean signed deviation at each vertex of the reference over all rescans, mm,
        positive where the print is too large; nan where no rescan shows it.
    """

    report: dict[str, Any]
    reference: Mesh
    offsets: NDArray[np.float64]

    def glb(self) -> bytes:
        """Return the reference as GLB with ``_DEVIATION`` (mm) per vertex, 0 where unknown."""
        return mesh_glb(self.reference, {"deviation": np.nan_to_num(self.offsets)})

    def picture(self, width: int = 900, height: int = 600) -> bytes:
        """Return a PNG: blue too small, red too large, full colour at 0.25 mm, grey unknown."""
        view = view_from(
            self.reference.vertices,
            np.array([0.25, -0.8, 0.75]),
            np.array([0.0, 0.0, 1.0]),
            (2 * width, 2 * height),
        )
        image, _ = render(self.reference, view, self._colours)
        out = io.BytesIO()
        Image.fromarray(image).resize((width, height), Image.Resampling.BOX).save(out, "PNG")
        return out.getvalue()

    @cached_property
    def _colours(self) -> NDArray[np.float64]:
        """Vertex colours, 0–255: a diverging scale that colour-blind people can read."""
        share = np.clip(np.nan_to_num(self.offsets) / COLOUR_MM, -1.0, 1.0)[:, None]
        white, red, blue = (np.array(c) for c in ((245, 243, 238), (178, 40, 34), (33, 84, 160)))
        colours = white + np.abs(share) * (np.where(share > 0, red, blue) - white)
        return np.where(np.isnan(self.offsets)[:, None], np.array([150, 150, 150]), colours)


def compare_print(reference: Mesh, rescans: Sequence[Mesh]) -> Comparison:
    """Measure printed and rescanned check models against their file.

    Parameters
    ----------
    reference : Mesh
        The file, wound outwards, mm.
    rescans : sequence of Mesh
        Scans of prints of it, mm, each in any pose; a base or parts may be missing.

    Returns
    -------
    Comparison
        ``report`` has ``prints [{bias_mm, sd_mm, rms_mm, mean_absolute_mm, p95_mm,
        largest_mm, within, shown_share, scale_error_percent {x, y, z}, growth_mm, transform}]``,
        ``trueness_mm`` (|mean deviation| over all prints), ``precision_mm`` (standard
        deviation between prints at a place, root mean square over places; null for a single
        print), ``rms_mm``, ``p95_mm``, ``within``, ``scale_error_percent`` and ``growth_mm``
        (even growth all over, stretch apart; means over the prints).

    Raises
    ------
    GeometryError
        When there is no rescan, or one shows another body.
    """
    if not rescans:
        raise GeometryError("no rescan to compare; scan at least one print")
    target = Surface.of(reference)
    measured = [_measure(target, scan, k + 1) for k, scan in enumerate(rescans)]
    area = target.areas
    all_offsets = np.stack([offsets for _, offsets in measured])
    known = np.isfinite(all_offsets)
    count = known.sum(axis=0)
    total = np.where(known, all_offsets, 0.0).sum(axis=0)
    mean = np.divide(total, count, out=np.full(len(total), np.nan), where=count > 0)
    prints = [one for one, _ in measured]
    trueness, _ = trueness_and_precision([p["bias_mm"] for p in prints], 0.0)
    pooled = describe_offsets(all_offsets[known], np.broadcast_to(area, known.shape)[known])
    report = {
        "prints": prints,
        "trueness_mm": trueness,
        "precision_mm": _between(all_offsets, mean, known, count, area),
        "rms_mm": pooled.rms_mm,
        "p95_mm": pooled.p95_mm,
        "within": pooled.within,
        "scale_error_percent": {
            axis: float(np.mean([p["scale_error_percent"][axis] for p in prints])) for axis in "xyz"
        },
        "growth_mm": float(np.mean([p["growth_mm"] for p in prints])),
    }
    return Comparison(report, reference, _at_vertices(target, mean))


def _at_vertices(target: Surface, offsets: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means over the triangles about each vertex, by area; nan where none is known."""
    known = np.isfinite(offsets)
    weight = np.where(known, target.areas, 0.0)
    share = weight * np.where(known, offsets, 0.0)
    sums, areas = np.zeros(len(target.mesh.vertices)), np.zeros(len(target.mesh.vertices))
    for corner in range(3):
        np.add.at(sums, target.mesh.faces[:, corner], share)
        np.add.at(areas, target.mesh.faces[:, corner], weight)
    return np.divide(sums, areas, out=np.full(len(sums), np.nan), where=areas > 0)


def _between(
    offsets: NDArray[np.float64],
    mean: NDArray[np.float64],
    known: NDArray[np.bool_],
    count: NDArray[np.int64],
    area: NDArray[np.float64],
) -> float | None:
    """Standard deviation between prints, pooled over the surface that several show."""
    several = count > 1
    if not several.any():
        return None
    squares = np.where(known, (offsets - mean) ** 2, 0.0).sum(axis=0)[several]
    variance = squares / (count[several] - 1)
    return float(np.sqrt(np.average(variance, weights=area[several])))


def _measure(
    target: Surface, scan: Mesh, number: int
) -> tuple[dict[str, Any], NDArray[np.float64]]:
    """Register one rescan; return its figures and the deviation at each triangle of the file."""
    surface = Surface.of(scan) if scan.faces.size else None
    if surface is None or not surface.areas.sum() > 0.0:
        raise GeometryError(f"rescan {number}: it has no surface; export it again")
    motion = _register(target, surface, number)
    laid = Surface.of(scan.transformed(motion))
    places, normals = target.mesh.triangles.mean(axis=1), target.normals
    # From the file to the print: where the print shows nothing there is no value.
    feet, face = laid.nearest(places, REACH_MM)
    other = laid.normals[np.maximum(face, 0)]
    agree = (other * normals).sum(axis=1)
    inner = (face >= 0) & ~_border_faces(laid.mesh)[np.maximum(face, 0)]
    # Along the file's own normal, so that the winding of the scan does not matter.
    along = ((feet - places) * other).sum(axis=1) * np.sign(agree)
    offsets = np.where(inner & (np.abs(agree) > SAME_DIRECTION), along, np.nan)
    known = np.isfinite(offsets)
    if not known.any():
        raise GeometryError(f"rescan {number}: nothing of it lies near the file; check both")
    figures: dict[str, Any] = describe_offsets(offsets[known], target.areas[known]).as_dict()
    shown = float(target.areas[known].sum() / target.areas.sum())
    if shown < LEAST_SHOWN:
        raise GeometryError(
            f"rescan {number}: it shows {100 * shown:.0f} % of the file only; it shows another"
            " model, its units are wrong, or most is missing"
        )
    figures["shown_share"] = shown
    scale, growth = _stretch(places, normals, offsets, target.areas)
    figures["scale_error_percent"] = scale
    figures["growth_mm"] = growth
    figures["transform"] = motion.tolist()
    return figures, offsets


def _register(target: Surface, surface: Surface, number: int) -> NDArray[np.float64]:
    """Motion that lays a rescan on the file, from any pose."""
    points, normals = surface.scatter(FIT_POINTS)
    few, few_normals = surface.scatter(600)
    tries = []
    for start in _starts(target, few):
        found = fit(target, few, few_normals, start, _SCHEDULE)
        tries.append((found.share_within(NEAR_MM), found.motion))
        if tries[-1][0] > SURE_SHARE:
            break
    share, motion = max(tries, key=lambda one: one[0])
    found = fit(target, points, normals, motion, [*_SCHEDULE[2:], *_LAST])
    if found.share_within(NEAR_MM) < LEAST_SHARE:
        raise GeometryError(
            f"rescan {number}: {100 * share:.0f} % of it lies on the file; "
            "it shows another model, or its units are wrong"
        )
    return found.motion


def _starts(target: Surface, points: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """The pose as it is, and main axes on main axes in 24 right-handed ways: the best few."""
    theirs, _ = target.scatter(2000)
    starts = [np.eye(4)]
    to, of = theirs.mean(axis=0), points.mean(axis=0)
    shift = np.eye(4)
    shift[:3, 3] = to - of
    starts.append(shift)
    axes_to = np.linalg.svd(theirs - to, full_matrices=False)[2]
    axes_of = np.linalg.svd(points - of, full_matrices=False)[2]
    for order in ((0, 1, 2), (1, 0, 2), (0, 2, 1), (2, 1, 0), (1, 2, 0), (2, 0, 1)):
        for signs in np.array(np.meshgrid([1, -1], [1, -1], [1, -1])).T.reshape(-1, 3):
            turn = axes_to.T @ (signs[:, None] * axes_of[list(order)])
            if np.linalg.det(turn) > 0.0:
                motion = np.eye(4)
                motion[:3, :3] = turn
                motion[:3, 3] = to - turn @ of
                starts.append(motion)
    tree = cKDTree(theirs)
    apart = [
        np.minimum(tree.query(points @ m[:3, :3].T + m[:3, 3])[0], 10.0).mean() for m in starts
    ]
    return [starts[k] for k in np.argsort(apart, kind="stable")[:STARTS]]


def _stretch(
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    offsets: NDArray[np.float64],
    area: NDArray[np.float64],
) -> tuple[dict[str, float], float]:
    """Stretch along each axis, %, and growth all over, mm, that explain the deviations best.

    They are solved together with a rigid motion: where a body is seen from one side only, the
    fit moves a grown print back by half its growth, and the mean deviation does not show it.
    """
    known = np.isfinite(offsets) & (np.abs(offsets) < NEAR_MM)
    p = points[known] - np.average(points[known], axis=0, weights=area[known])
    n, d, w = normals[known], offsets[known], np.sqrt(area[known])
    even = np.ones((len(p), 1))
    rows = np.concatenate([p * n, n, np.cross(p, n), even], axis=1)
    solution = np.linalg.lstsq(rows * w[:, None], d * w, rcond=None)[0]
    return {axis: float(100.0 * solution[k]) for k, axis in enumerate("xyz")}, float(solution[-1])


def _border_faces(mesh: Mesh) -> NDArray[np.bool_]:
    """Faces with an edge that no other face shares: a foot there may lie beyond the scan."""
    edges = np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1).astype(np.int64)
    key = edges[:, 0] * len(mesh.vertices) + edges[:, 1]
    _, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
    return (count[inverse] == 1).reshape(-1, 3).any(axis=1)

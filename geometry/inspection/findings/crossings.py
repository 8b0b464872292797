"""Findings about sheets of a scan that pass through each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geometry.inspection.findings.finding import CHECK, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import Placer
from geometry.mesh import Mesh
from geometry.topology.intersections import apart

_TO_DO = (
    "Scan passes may not fit together: compare the picture with the mouth, rescan where the "
    "surface doubles."
)


def crossing_findings(
    mesh: Mesh,
    crossing: int | None,
    pairs: NDArray[np.int32],
    placer: Placer | None,
    limits: Limits,
) -> list[Finding]:
    """Tell where sheets pass through each other, and the place where most of it is.

    Parameters
    ----------
    mesh : Mesh
        The whole file's.
    crossing, pairs
        As :func:`geometry.topology.intersections.find_intersections` gives them.
    placer : Placer or None
        None where no arch was found.
    """
    most = float(limits.self_intersections)
    if crossing is None:
        words = f"So many triangles pass through each other that they were not counted. {_TO_DO}"
        return [Finding("crossing_triangles", CHECK, words, None, most, "pairs")]
    # Slivers that cross their own neighbours are harmless.
    sheets = pairs[apart(mesh, pairs)] if crossing > most else pairs[:0]
    doubled = round(crossing * len(sheets) / max(len(pairs), 1))
    if doubled <= most:
        return []
    if placer is None or crossing > len(pairs):
        # With some of the pairs only, the place would depend on the order of the triangles.
        words = f"{doubled} pairs of triangles pass through each other. {_TO_DO}"
        return [Finding("crossing_triangles", CHECK, words, float(doubled), most, "pairs")]
    at, places = _where_most(mesh, sheets)
    place = placer(at)
    where = place.words if places == 1 else f"in {places} places, the largest {place.words}"
    return [
        Finding(
            "crossing_triangles",
            CHECK,
            f"The surface passes through itself {where} ({doubled} pairs of triangles). {_TO_DO}",
            float(doubled),
            most,
            "pairs",
            place.sextant,
            place.side,
            spot(at),
        )
    ]


def _where_most(mesh: Mesh, pairs: NDArray[np.int32]) -> tuple[NDArray[np.float64], int]:
    """Return a point (3,) of the place with the most pairs, and the number of places.

    Pairs belong to one place where triangles of theirs have a corner in common.
    """
    corners, numbers = np.unique(mesh.faces[pairs.ravel()], return_inverse=True)
    numbers = numbers.reshape(len(pairs), 6)
    first = np.repeat(numbers[:, 0], 5)
    links = coo_array(
        (np.ones(len(first), dtype=np.int8), (first, numbers[:, 1:].ravel())),
        shape=(len(corners), len(corners)),
    )
    places, label = connected_components(links, directed=False)
    each = label[numbers[:, 0]]
    count = np.bincount(each, minlength=places)
    middles = mesh.vertices[mesh.faces[pairs]].mean(axis=(1, 2))
    # Equal counts are told apart by how far the place reaches, not by number.
    best = np.flatnonzero(count == count.max())
    off = [_from_middle(middles[each == b]) for b in best]
    widest = int(np.argmax([o.max() for o in off]))
    return np.asarray(middles[each == best[widest]][off[widest].argmin()]), int(places)


def _from_middle(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.linalg.norm(points - points.mean(axis=0), axis=1))

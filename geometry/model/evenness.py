"""How evenly a sheet will thin over a model: the ``forming`` part of the report."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.axes import ArchAxes
from geometry.forming import Ground, Thickness, form_over
from geometry.inspection.place import SEXTANTS
from geometry.mesh import Mesh
from geometry.model.undercuts.heights import Grid, top_heights
from geometry.model.undercuts.regions import Places

Array = NDArray[np.float64]

PITCH = 0.4
FRONT = ("04", "07")
STEEPEST_FILE = 0.7
LEAST_POINTS = 8
WORST_LISTED = 5
APART = 6.0
# Measured: half of the nominal at the incisal edge (Ghoraba et al., Materials 2024;17:3019), a
# third mid-labial (Dogramaci et al., Aust Dent J 2018;63:347). Sag before contact and sliding
# while draping were tried and bring a membrane hardly nearer: a hot sheet is pressed thin there.
METHOD = (
    "estimate: membrane with sticking contact; measured sheets were thinner over the edges of"
    " front teeth, down to half of the nominal and less"
)


def ground_of(mesh: Mesh) -> Ground:
    """Return the height field that a sheet meets: the model on a platform at 0."""
    grid = Grid.over(mesh.vertices, PITCH, 2.0)
    top = top_heights(mesh.vertices, mesh.faces, grid, empty=0.0)
    return Ground(grid.x0, grid.y0, PITCH, np.maximum(top, 0.0).astype(np.float64))


def forming_record(
    formed: Thickness, before: float | None, places: Places, sheet: float, limit: float
) -> dict[str, Any]:
    """Put the estimate of the formed thickness over a model into words of the report.

    Parameters
    ----------
    formed : Thickness
        Of the model.
    before : float or None
        Spread over the same scan not levelled, mm; see :func:`spread_not_levelled`.
    places : Places
    sheet, limit : float
        Nominal thickness, and the one below which places are pointed out, mm.
    """
    thickness = sheet * formed.share
    sextant = places.sextants(formed.points)
    return {
        "sheet_mm": sheet,
        "thickness_mm": {
            "min": round(float(thickness.min()), 3),
            "mean": round(float(thickness.mean()), 3),
            "areal_mean": round(sheet * formed.mean, 3),
            "by_sextant": _by_sextant(thickness, sextant),
        },
        "spread_before": before,
        "spread_after": _spread(thickness, sextant),
        "limit_mm": limit,
        "below_limit": _below(formed, thickness, sextant, limit),
        "method": METHOD,
    }


def _by_sextant(thickness: Array, sextant: NDArray[np.int64]) -> dict[str, dict[str, float]]:
    out = {}
    for index in np.unique(sextant[sextant >= 0]).tolist():
        mine = thickness[sextant == index]
        out[SEXTANTS[index]] = {
            "min": round(float(mine.min()), 3),
            "mean": round(float(mine.mean()), 3),
        }
    return out


def _spread(thickness: Array, sextant: NDArray[np.int64]) -> float | None:
    """Difference of mean thickness between front and back teeth, mm."""
    front = np.isin(sextant, [SEXTANTS.index(code) for code in FRONT])
    back = (sextant >= 0) & ~front
    if front.sum() < LEAST_POINTS or back.sum() < LEAST_POINTS:
        return None
    return round(abs(float(thickness[front].mean() - thickness[back].mean())), 3)


def spread_not_levelled(
    surface: Mesh, frame: ArchAxes, move: Array, places: Places, trim: float, sheet: float
) -> float | None:
    """Spread of thickness when the scan stands as its file's z axis has it, mm.

    None where the file's z axis is no way to stand it up at all.

    Parameters
    ----------
    surface : Mesh
        The scan in model axes.
    frame : ArchAxes
    move : (4, 4) float64
        From file to model.
    places : Places
    trim : float
        Height from which the formed sheet is looked at.
    sheet : float
        Nominal thickness, mm.
    """
    occlusal = np.asarray(frame.occlusal, dtype=np.float64)
    if abs(float(occlusal[2])) < STEEPEST_FILE:
        return None
    # The file's z in model axes, turned back to the model's z.
    axis = move[:3, :3] @ np.array([0.0, 0.0, 1.0 if occlusal[2] > 0 else -1.0])
    turn = _onto_z(axis)
    centre = surface.vertices.mean(axis=0)
    points = (surface.vertices - centre) @ turn.T + centre
    points[:, 2] += float(surface.vertices[:, 2].max() - points[:, 2].max())
    formed = form_over(ground_of(Mesh(points, surface.faces)), trim)
    back = (formed.points - centre) @ turn + centre
    return _spread(sheet * formed.share, places.sextants(back))


def _onto_z(axis: Array) -> Array:
    """Smallest rotation that takes a unit vector to +z (Rodrigues)."""
    z = np.array([0.0, 0.0, 1.0])
    v = np.cross(axis, z)
    c = float(axis @ z)
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.asarray(np.eye(3) + k + k @ k / (1.0 + c))


def _below(
    formed: Thickness, thickness: Array, sextant: NDArray[np.int64], limit: float
) -> list[dict[str, Any]]:
    """The thinnest places under the limit, well apart from each other."""
    out: list[dict[str, Any]] = []
    taken: list[Array] = []
    for k in np.argsort(thickness, kind="stable").tolist():
        if thickness[k] >= limit or len(out) >= WORST_LISTED:
            break
        if any(np.linalg.norm(formed.points[k] - other) < APART for other in taken):
            continue
        taken.append(formed.points[k])
        index = int(sextant[k])
        out.append(
            {
                "sextant": SEXTANTS[index] if index >= 0 else None,
                "thickness_mm": round(float(thickness[k]), 3),
                "at": [round(float(v), 2) for v in formed.points[k]],
            }
        )
    return out

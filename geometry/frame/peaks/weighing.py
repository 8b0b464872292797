"""What each place that bites counts for the occlusal plane.

Peaks of the relief are incisal edges and cusps, but also blocks bonded to crowns, gum behind
the last teeth and folds beside the front ones; an edge shows as one peak or as five; and worn
crowns show none. Here each counts for what it is, in part where that is in doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.frame.arch.row_curve import RowCurve
from geometry.frame.arch.teeth import MESIODISTAL_MM
from geometry.frame.arch.unroll import STEP_S_MM, Unrolled
from geometry.frame.peaks.bent import View
from geometry.frame.peaks.bonded import bonded_shares, hanging_shares
from geometry.frame.peaks.smooth import crown_shares
from geometry.frame.peaks.strays import behind_shares, edge_alone_shares
from geometry.frame.peaks.tables import table_places
from geometry.frame.plane import OcclusalPlane
from geometry.frame.relief import Relief
from geometry.frame.surface import Surface
from geometry.frame.tips import RIDGE_STEP_MM, edge_tips

EDGE_COUNTS = 2.5
"""Tips that an incisal edge counts for: its two corners, perhaps its middle."""

CUSP_FALL_MM = 0.25
"""Cusps of half erupted teeth fall away at least this much; gum around leaves little of it."""

LOW_MM, FLAT_FALL_MM, STEEP_FALL_MM, FLAT_COUNTS = 0.8, 0.15, 0.65, 0.1
"""A peak this far (and wholly, twice as far) under the plane with hardly any fall around it may
be gum, as on the saddle of a missing tooth or a tuberosity: it counts less, down to
``FLAT_COUNTS``."""

LOW_EDGE_MM, EDGE_ALONG_MM, EDGE_BESIDE_MM = 5.5, 20.0, 3.0
ACROSS_MM, EDGE_UNDER_TOP_MM, EDGE_KNOWN_MM = 6.0, 0.7, 1.25
"""Incisal edges are looked for this far under a plane of the back teeth, and so near to the
midline and to the row: where the curve of Spee is reversed or the bite is open."""

BESIDE_ROW_MM = 6.0
"""Peaks off the plane are cusps when they fall away this much and stand this near the row."""

TOOTH_LEAST = 0.2
"""Peaks that count less are no teeth where biting surfaces without a tip are looked for."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A surface seen along the axis of its settled plane, with the row of teeth on it."""

    surface: Surface
    relief: Relief
    rotation: NDArray[np.float64]
    form: RowCurve
    row: Unrolled

    def placed(
        self, points: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Points (n, 3) of the surface in the relief's axes, and along and across the row."""
        local = points @ self.rotation.T
        return local, self.row.place(self.form.to_arch(local[:, :2]))


def weighed(seen: Seen, plane: OcclusalPlane, arch: str) -> View:
    """Weigh the tips of a plane and what else bites, each by what it is."""
    tips = len(plane.tips.points)
    sunk = _sunk(seen, plane)
    peaks = np.concatenate([plane.tips.points, sunk])
    local, places = seen.placed(peaks)
    height = local[:, 2] - plane.level
    counts = unbonded(seen, plane, peaks)
    counts *= edge_alone_shares(seen.row, height, places, sum(MESIODISTAL_MM[arch][:2]))
    counts *= behind_shares(peaks, height, places)
    own, sunken, places = counts[:tips], counts[tips:], places[:tips]
    teeth = own > TOOTH_LEAST
    bare, counts = table_places(seen.row, places[teeth] if teeth.any() else places)
    bare = np.concatenate([seen.form.from_arch(bare[:, :2]), bare[:, 2:] + plane.level], axis=1)
    edges, parts = _low_edges(seen, plane)
    own = own * _edge_shares(seen.row, places, own, arch) * standing_out(plane)
    low = np.concatenate([plane.tips.points, bare @ seen.rotation, sunk])
    share = np.concatenate(
        [np.concatenate([own, counts, sunken]) * _no_gum(seen, plane, low), parts]
    )
    more = np.concatenate([low[len(own) :], edges])
    along = np.concatenate([places[:, 0], seen.placed(more)[1][:, 0]])
    return View(plane, more, share, along)


def _no_gum(seen: Seen, plane: OcclusalPlane, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much each peak (n, 3) counts for not being a smooth hill under the plane."""
    local, _ = seen.placed(points)
    under = np.clip((plane.level - points @ plane.axis) / LOW_MM - 1.0, 0.0, 1.0)
    out, some = np.ones(len(points)), under > 0.0
    out[some] -= under[some] * (1.0 - crown_shares(seen.relief, local[some]))
    return out


def unbonded(seen: Seen, plane: OcclusalPlane, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much each peak (n, 3) counts for being a part of a crown, not bonded to one."""
    if not len(points):
        return np.ones(0)
    local, place = seen.placed(points)
    crowns, where = seen.placed(plane.tips.points)
    bonded = bonded_shares(seen.relief, local, place, crowns, where)
    hanging = hanging_shares(seen.row, local - (0.0, 0.0, plane.level), place)
    return np.asarray((1.0 - bonded) * (1.0 - hanging))


def _sunk(seen: Seen, plane: OcclusalPlane) -> NDArray[np.float64]:
    """Cusp tips of half erupted teeth in the row, (n, 3), surface coordinates."""
    local, place = seen.placed(plane.rest.points)
    cusp = ~plane.rest.edge & (plane.rest.fall >= CUSP_FALL_MM)
    # The fit takes those that are near enough once the plane has moved.
    sunk = (local[:, 2] < plane.level) & (np.abs(place[:, 1]) < BESIDE_ROW_MM)
    return np.ascontiguousarray(plane.rest.points[cusp & sunk])


def _low_edges(seen: Seen, plane: OcclusalPlane) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places along incisal edges too far under the plane to be taken for them before.

    Places (n, 3) in surface coordinates, and how much each counts, as a share of a tip.
    """
    edges = edge_tips(seen.surface, seen.relief, plane.level - LOW_EDGE_MM)
    if not edges.fall.size:
        return edges.points, edges.fall
    local, place = seen.placed(edges.points)
    row = seen.row
    front = (np.abs(place) < (EDGE_ALONG_MM, EDGE_BESIDE_MM)).all(axis=1)
    # What stands highest across the row is an edge; a cingulum or a fold of the palate does not.
    crowns = np.where(np.isnan(row.height), -np.inf, row.height)[:, np.abs(row.t) < ACROSS_MM]
    top = crowns.max(axis=1)[np.searchsorted(row.s, place[:, 0]).clip(max=row.s.size - 1)]
    height = local[:, 2] - plane.level
    away, _ = cKDTree(plane.tips.points).query(edges.points)
    # Counting in part at first, so that no place more or less tips the plane over.
    share = np.clip(-height / EDGE_KNOWN_MM - 1.0, 0.0, 1.0)
    share *= np.clip(away / RIDGE_STEP_MM - 1.0, 0.0, 1.0)
    share *= front & (height > top - EDGE_UNDER_TOP_MM)
    return np.ascontiguousarray(edges.points[share > 0.0]), share[share > 0.0]


def standing_out(plane: OcclusalPlane) -> NDArray[np.float64]:
    """How much each tip counts for standing out from what lies around it."""
    steep = np.clip(
        (plane.tips.fall - FLAT_FALL_MM) / (STEEP_FALL_MM - FLAT_FALL_MM), FLAT_COUNTS, 1.0
    )
    under = plane.level - plane.tips.points @ plane.axis
    low = np.where(plane.tips.edge, 0.0, np.clip(under / LOW_MM - 1.0, 0.0, 1.0))
    return np.asarray(1.0 - low * (1.0 - steep))


def _edge_shares(
    row: Unrolled, places: NDArray[np.float64], own: NDArray[np.float64], arch: str
) -> NDArray[np.float64]:
    """How much each tip counts: an incisal edge as two or three cusps.

    However many places were found along the edges of the incisors, together they
    count the same for each incisor that is there. ``own`` is what each counts else.
    """
    central, lateral = MESIODISTAL_MM[arch][:2]
    reach = central + lateral
    front = np.abs(places[:, 0]) < reach
    share = np.ones(places.shape[0])
    length = STEP_S_MM * float((row.covered & (np.abs(row.s) < reach)).sum())
    if front.any():
        teeth = length / (0.5 * (central + lateral))
        share[front] = np.clip(EDGE_COUNTS * teeth / max(own[front].sum(), 1.0), 0.5, 3.0)
    return share

"""Findings about holes: which to rescan, which close over, which lie too deep to matter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from geometry.dentition import Dentition
from geometry.frame import Frame
from geometry.inspection.findings import CHECK, NOTE, STOP, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import Place, Placer
from geometry.topology import Loop, Topology

GumLine = Callable[[NDArray[np.float64]], float]

# So many holes are told one by one.
_MOST_TOLD = 12
# Across a rim is between places at least this share of it apart; of a longer rim some places do.
_ASIDE_SHARE, _MOST_ON_RIM = 0.125, 200
# A round hole is twice as wide as the chord over an eighth of it is long, and some more.
_TWISTED = 0.5


def gum_line_of(frame: Frame, dentition: Dentition) -> GumLine | None:
    """Return how to tell how far below the gum line a hole begins; None without teeth.

    The lower of the facial and the lingual margin of the nearest tooth counts.
    """
    if not dentition.teeth:
        return None
    centres = frame.to_local(np.array([tooth.centre for tooth in dentition.teeth]))
    margins = np.array([[tooth.facial.at, tooth.lingual.at] for tooth in dentition.teeth])
    lowest = ((margins - frame.origin) @ frame.occlusal).min(axis=1)

    def below(rim: NDArray[np.float64]) -> float:
        local = frame.to_local(rim)
        beside = np.linalg.norm(centres[:, :2] - local[:, :2].mean(axis=0), axis=1)
        return float(lowest[beside.argmin()] - local[:, 2].max())

    return below


def hole_findings(
    topology: Topology, placer: Placer, limits: Limits, gum_line: GumLine | None = None
) -> list[Finding]:
    """Judge each hole by its perimeter; cracks and what lies too deep to matter are counted.

    Parameters
    ----------
    topology : Topology
    placer : Placer
    limits : Limits
    gum_line : callable, optional
        How far below the gum line a hole begins, mm, given the points (k, 3) of its rim.
    """
    told: list[tuple[bool, Loop, float]] = []
    cracks: list[Loop] = []
    deep: list[Loop] = []
    for hole in topology.holes:
        if hole.perimeter_mm < limits.hole_check_mm:
            continue
        rim = topology.main.vertices[hole.vertices]
        if gum_line is not None and gum_line(rim) >= limits.hole_deep_mm:
            deep.append(hole)
            continue
        wide = hole_width(rim, hole)
        if wide < limits.hole_least_width_mm and hole.perimeter_mm < limits.crack_check_mm:
            cracks.append(hole)
            continue
        severe = hole.perimeter_mm >= limits.hole_stop_mm and wide >= limits.hole_least_width_mm
        told.append((severe, hole, wide))
    told.sort(key=lambda each: (not each[0], -each[1].perimeter_mm))
    found = [_open_hole(*each, placer, limits) for each in told[:_MOST_TOLD]]
    if len(told) > _MOST_TOLD:
        severe, largest, _ = told[_MOST_TOLD]
        words = (
            f"{len(told) - _MOST_TOLD} more holes, the largest {largest.perimeter_mm:.1f} mm around"
        )
        remedy = "The surface is torn: export again at full quality, and rescan if it is still so."
        found.append(
            _hole(largest, STOP if severe else CHECK, words, remedy, placer, limits.hole_check_mm)
        )
    if cracks:
        longest = max(cracks, key=lambda crack: crack.perimeter_mm)
        many = "A crack" if len(cracks) == 1 else f"{len(cracks)} cracks"
        words = (
            f"{many} less than {limits.hole_least_width_mm:.2g} mm wide, the longest "
            f"{longest.perimeter_mm / 2.0:.1f} mm long"
        )
        found.append(_hole(longest, NOTE, words, "Nothing to do.", placer, limits.hole_check_mm))
    if deep:
        largest = max(deep, key=lambda hole: hole.perimeter_mm)
        many = "A hole" if len(deep) == 1 else f"{len(deep)} holes, the largest"
        words = (
            f"{many} {largest.perimeter_mm:.1f} mm around, more than {limits.hole_deep_mm:.0f} mm "
            "below the gum line"
        )
        so = "Nothing to do unless the appliance reaches there."
        found.append(_hole(largest, NOTE, words, so, placer, limits.hole_check_mm))
    return found


def _open_hole(severe: bool, hole: Loop, wide: float, placer: Placer, limits: Limits) -> Finding:
    words = f"Hole about {wide:.1f} mm wide, {hole.perimeter_mm:.1f} mm around"
    if wide < limits.hole_least_width_mm:
        words = f"A crack {hole.perimeter_mm / 2.0:.1f} mm long"
    if severe:
        remedy, limit = "Dry and rescan over it for 2–3 s.", limits.hole_stop_mm
    else:
        remedy = "Look at the picture; rescan if it lies on a tooth or the gum line."
        limit = limits.hole_check_mm
    return _hole(hole, STOP if severe else CHECK, words, remedy, placer, limit)


def _hole(
    hole: Loop, severity: str, words: str, remedy: str, placer: Placer, limit: float
) -> Finding:
    place = placer(hole.centre)
    return Finding(
        "hole",
        severity,
        f"{words}, {place.words}. {remedy}",
        hole.perimeter_mm,
        limit,
        "mm",
        place.sextant,
        place.side,
        spot(hole.centre),
    )


def hole_width(rim: NDArray[np.float64], hole: Loop) -> float:
    """Width of a hole, mm.

    Four times its area over its perimeter, the diameter of a round one; of a rim that is so
    twisted that its area vanishes, half the way across in the middle of those places.
    """
    by_area = 4.0 * hole.area_mm2 / max(hole.perimeter_mm, 1e-9)
    some = rim[:: max(len(rim) // _MOST_ON_RIM, 1)]
    steps = np.linalg.norm(np.roll(some, -1, axis=0) - some, axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    apart = np.abs(along[:, None] - along[None])
    apart = np.minimum(apart, steps.sum() - apart)
    across = np.linalg.norm(some[:, None] - some[None], axis=2)
    across[apart < _ASIDE_SHARE * steps.sum()] = np.inf
    nearest = across.min(axis=1)
    twisted = float(np.median(nearest)) if np.isfinite(nearest).all() else 0.0
    return max(by_area, _TWISTED * twisted)


def hole_record(hole: Loop, place: Place) -> dict[str, object]:
    """Return a hole as the report lists it."""
    return {
        "perimeter_mm": round(hole.perimeter_mm, 3),
        "area_mm2": round(hole.area_mm2, 3),
        "sextant": place.sextant,
        "side": place.side,
        "centre": [round(float(v), 3) for v in hole.centre],
    }

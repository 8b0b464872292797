"""Findings about holes: which to rescan, which close over, which matter to nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.inspection.findings.finding import CHECK, NOTE, STOP, Finding, spot
from geometry.inspection.findings.hole_places import Between, GumLine
from geometry.inspection.limits import Limits
from geometry.inspection.place import Place, Placer
from geometry.topology import Loop, Topology

# So many holes are told one by one: those that stop, those to be looked at.
_MOST_TOLD, _MOST_LOOKED_AT = 12, 4
_TORN = 30  # holes, from which on the surface itself is in doubt
# Across a rim is between places at least this share of it apart; of a longer rim some places do.
_ASIDE_SHARE, _MOST_ON_RIM = 0.125, 200
# A rim so long, and at least such a share of the border, is a second border: what was missed on
# teeth or gum is smaller. Where gum closes into a band, each end left open has its own.
_SECOND_BORDER_MM, _SECOND_BORDER_SHARE = 100.0, 0.5
# A round hole is twice as wide as the chord over an eighth of it is long, and some more.
_TWISTED = 0.5


@dataclass(frozen=True)
class _Hole:
    """A hole with its width, and whether it lies between two teeth."""

    loop: Loop
    wide: float
    between: bool


def hole_findings(
    topology: Topology,
    placer: Placer,
    limits: Limits,
    gum_line: GumLine | None = None,
    between: Between | None = None,
) -> list[Finding]:
    """Judge each hole by its width and its perimeter.

    A slit closes over its own sides, and what lies between two teeth is no surface that an
    appliance grips: neither stops a scan unless it is wide. Cracks, slits between teeth and
    what lies too deep to matter are counted.

    Parameters
    ----------
    topology : Topology
    placer : Placer
    limits : Limits
    gum_line : callable, optional
        How far below the gum line a hole begins, mm, given the points (k, 3) of its rim.
    between : callable, optional
        Whether a rim (k, 3) lies between two neighbouring teeth.
    """
    severe: list[_Hole] = []
    doubtful: list[_Hole] = []
    slits: list[_Hole] = []
    cracks: list[_Hole] = []
    deep: list[_Hole] = []
    borders: list[Finding] = []
    for loop in topology.holes:
        if loop.perimeter_mm < limits.hole_check_mm:
            continue
        if _is_border(loop, topology):
            borders.append(_second_border(loop, topology, placer))
            continue
        rim = topology.main.vertices[loop.vertices]
        hole = _Hole(loop, hole_width(rim, loop), between is not None and between(rim))
        matters = limits.hole_stop_width_mm * (2.0 if hole.between else 1.0)
        if gum_line is not None and gum_line(rim) >= limits.hole_deep_mm:
            deep.append(hole)
        elif hole.wide < limits.hole_least_width_mm and loop.perimeter_mm < limits.crack_check_mm:
            cracks.append(hole)
        elif hole.between and hole.wide < limits.hole_stop_width_mm:
            slits.append(hole)
        elif loop.perimeter_mm >= limits.hole_stop_mm and hole.wide >= matters:
            severe.append(hole)
        else:
            doubtful.append(hole)
    found = _one_by_one(severe, STOP, _MOST_TOLD, placer, limits)
    found += _one_by_one(doubtful, CHECK, _MOST_LOOKED_AT, placer, limits)
    if len(severe) + len(doubtful) >= _TORN:
        found[0] = _torn(found[0], len(severe) + len(doubtful))
    return found + borders + _counted(slits, cracks, deep, placer, limits)


def _is_border(loop: Loop, topology: Topology) -> bool:
    """Whether a loop is a border like the longest one."""
    longest = topology.border.perimeter_mm if topology.border else 0.0
    return loop.perimeter_mm >= max(_SECOND_BORDER_MM, _SECOND_BORDER_SHARE * longest)


def _second_border(loop: Loop, topology: Topology, placer: Placer) -> Finding:
    """Check the band of surface between two borders, told where they are nearest."""
    assert topology.border is not None
    points = topology.main.vertices
    rim, first = points[loop.vertices], points[topology.border.vertices]
    away, other = cKDTree(first).query(rim)
    nearest = int(np.argmin(away))
    middle = 0.5 * (rim[nearest] + first[other[nearest]])
    place = placer(middle)
    return Finding(
        "hole",
        CHECK,
        f"The border of the scan runs in two loops, {topology.border.perimeter_mm:.0f} and "
        f"{loop.perimeter_mm:.0f} mm around: the surface closes into a band between them, "
        f"{place.words}. Look on the picture whether the band is gum, and not lip, cheek or "
        "tongue.",
        sextant=place.sextant,
        side=place.side,
        at=spot(middle),
    )


def _one_by_one(
    holes: list[_Hole], severity: str, most: int, placer: Placer, limits: Limits
) -> list[Finding]:
    """Tell the largest holes one by one, and how many more there are."""
    holes.sort(key=lambda hole: -hole.loop.perimeter_mm)
    if severity == STOP:
        remedy, limit = "Dry and rescan over it for 2–3 s.", limits.hole_stop_mm
    else:
        remedy = "Look at the picture; rescan if it lies on a tooth or the gum line."
        limit = limits.hole_check_mm
    found = []
    for hole in holes[:most]:
        words = f"Hole about {hole.wide:.1f} mm wide, {hole.loop.perimeter_mm:.1f} mm around"
        if hole.wide < limits.hole_least_width_mm:
            words = f"A crack {hole.loop.perimeter_mm / 2.0:.1f} mm long"
        found.append(_hole(hole.loop, severity, words, remedy, placer, limit))
    more = holes[most:]
    if more:
        words = (
            f"{len(more)} more hole{'s' if len(more) > 1 else ''}, the largest "
            f"{more[0].loop.perimeter_mm:.1f} mm around"
        )
        found.append(_hole(more[0].loop, severity, words, remedy, placer, limit))
    return found


def _torn(first: Finding, count: int) -> Finding:
    so = f"The surface is torn in {count} places: export again at full quality first."
    return replace(first, message=f"{first.message} {so}")


def _counted(
    slits: Sequence[_Hole],
    cracks: Sequence[_Hole],
    deep: Sequence[_Hole],
    placer: Placer,
    limits: Limits,
) -> list[Finding]:
    """Return a note for each kind of hole that needs nothing done."""
    found = []

    def note(hole: _Hole, words: str, so: str) -> None:
        found.append(_hole(hole.loop, NOTE, words, so, placer, limits.hole_check_mm))

    if slits:
        longest = _longest(slits)
        many = "A slit" if len(slits) == 1 else f"{len(slits)} slits, the longest"
        words = (
            f"{many} {longest.loop.perimeter_mm / 2.0:.1f} mm long, at most "
            f"{max(hole.wide for hole in slits):.1f} mm wide, between teeth"
        )
        note(longest, words, "Nothing to do: it closes over, and the plastic does not grip there.")
    if cracks:
        longest = _longest(cracks)
        many = "A crack" if len(cracks) == 1 else f"{len(cracks)} cracks"
        words = (
            f"{many} less than {limits.hole_least_width_mm:.2g} mm wide, the longest "
            f"{longest.loop.perimeter_mm / 2.0:.1f} mm long"
        )
        note(longest, words, "Nothing to do.")
    if deep:
        largest = _longest(deep)
        many = "A hole" if len(deep) == 1 else f"{len(deep)} holes, the largest"
        words = (
            f"{many} {largest.loop.perimeter_mm:.1f} mm around, more than "
            f"{limits.hole_deep_mm:.0f} mm below the gum line"
        )
        note(largest, words, "Nothing to do unless the appliance reaches there.")
    return found


def _longest(holes: Sequence[_Hole]) -> _Hole:
    return max(holes, key=lambda hole: hole.loop.perimeter_mm)


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
    # Counted from its farthest place, wherever the file begins it.
    first = int(np.linalg.norm(rim - rim.mean(axis=0), axis=1).argmax())
    some = np.roll(rim, -first, axis=0)[:: max(len(rim) // _MOST_ON_RIM, 1)]
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

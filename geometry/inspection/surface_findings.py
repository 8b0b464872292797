"""Findings about the file and the surface itself."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from geometry.inspection.findings import CHECK, NOTE, STOP, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import Place, Placer
from geometry.mesh import Mesh
from geometry.reading import ScanFile
from geometry.topology import Loop, Topology
from geometry.topology.intersections import apart

GumLine = Callable[[NDArray[np.float64]], float]

# Across a rim is between places at least this share of it apart; of a longer rim some places do.
_ASIDE_SHARE, _MOST_ON_RIM = 0.125, 200
# A round hole is twice as wide as the chord over an eighth of it is long, and some more.
_TWISTED = 0.5

_UNIT_WORDS = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches"}


def unit_findings(scan: ScanFile) -> list[Finding]:
    """Say so when the unit was guessed to be something else than millimetres."""
    if not scan.units_assumed or scan.units == "mm":
        return []
    return [
        Finding(
            "unit_guessed",
            CHECK,
            f"By its size the file seems to be in {_UNIT_WORDS[scan.units]}; measured as such. "
            f"Confirm with the unit {scan.units}, or export in millimetres.",
        )
    ]


def size_findings(extent: float, limits: Limits) -> list[Finding]:
    """Stop what is larger than an arch."""
    if extent <= limits.extent_largest_mm:
        return []
    return [
        Finding(
            "too_large",
            STOP,
            f"The scan is {extent:.0f} mm across, larger than any arch. Upload one arch alone, "
            "or state the unit of the file.",
            extent,
            limits.extent_largest_mm,
            "mm",
        )
    ]


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
    found = []
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
        words = f"Hole about {wide:.1f} mm wide, {hole.perimeter_mm:.1f} mm around"
        if wide < limits.hole_least_width_mm:
            words = f"A crack {hole.perimeter_mm / 2.0:.1f} mm long"
        found.append(
            _hole(
                hole,
                STOP if severe else CHECK,
                words,
                "Dry and rescan over it for 2–3 s."
                if severe
                else "Look at the picture; rescan if it lies on a tooth or the gum line.",
                placer,
                limits.hole_stop_mm if severe else limits.hole_check_mm,
            )
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


def piece_findings(topology: Topology, placer: Placer, limits: Limits) -> list[Finding]:
    """Judge the pieces beside the main one."""
    found = []
    scraps = 0
    for island in topology.islands:
        place = placer(island.centre)
        if island.area_mm2 >= limits.second_piece_share * topology.area_mm2:
            found.append(
                Finding(
                    "second_piece",
                    STOP,
                    f"The scan is in two parts; the second covers {island.area_mm2:.0f} mm² "
                    f"({place.words}) and was not measured. Join them by scanning across the gap, "
                    "or upload one arch alone.",
                    island.area_mm2,
                    round(limits.second_piece_share * topology.area_mm2, 1),
                    "mm²",
                    place.sextant,
                    place.side,
                    spot(island.centre),
                )
            )
        elif island.area_mm2 >= limits.island_check_mm2:
            found.append(
                Finding(
                    "loose_piece",
                    CHECK,
                    f"Loose piece of {island.area_mm2:.0f} mm², {place.words}; it was left "
                    "out. Delete it at the scanner if it is cheek or tongue, rescan if it is "
                    "part of the arch.",
                    island.area_mm2,
                    limits.island_check_mm2,
                    "mm²",
                    place.sextant,
                    place.side,
                    spot(island.centre),
                )
            )
        else:
            scraps += 1
            if scraps <= 5:
                found.append(
                    Finding(
                        "loose_piece",
                        NOTE,
                        f"Loose scrap of {island.area_mm2:.1f} mm², {place.words}; left out. "
                        "Nothing to do.",
                        island.area_mm2,
                        limits.island_check_mm2,
                        "mm²",
                        place.sextant,
                        place.side,
                        spot(island.centre),
                    )
                )
    if scraps > 5:
        found.append(
            Finding(
                "loose_piece",
                NOTE,
                f"{scraps - 5} more loose scraps were left out. Nothing to do.",
                float(scraps),
            )
        )
    return found


def _doubled(mesh: Mesh, topology: Topology) -> int | None:
    """Crossing pairs less those of slivers with their neighbours, which are harmless."""
    crossing, pairs = topology.self_intersections, topology.intersecting
    if not crossing:
        return crossing
    return round(crossing * float(apart(mesh, pairs).mean()))


def fault_findings(mesh: Mesh, topology: Topology, limits: Limits) -> list[Finding]:
    """Faults of the triangles of the file's mesh: edges, winding, crossings."""
    found = []
    faulty = topology.nonmanifold_edges
    most = limits.faulty_edges_share * len(topology.main.faces)
    if faulty:
        found.append(
            Finding(
                "faulty_edges",
                CHECK if faulty > most else NOTE,
                f"{faulty} edges belong to more than two triangles; the main surface was "
                "followed past them. "
                + (
                    "Let the scanner software rebuild the surface and export again."
                    if faulty > most
                    else "Nothing to do."
                ),
                float(faulty),
                round(most, 1),
                "edges",
            )
        )
    if topology.inconsistent_winding:
        found.append(
            Finding(
                "winding",
                NOTE,
                f"{topology.inconsistent_winding} edges join triangles wound against each other; "
                "they were turned alike. Nothing to do.",
                float(topology.inconsistent_winding),
            )
        )
    crossing = _doubled(mesh, topology)
    if crossing is None or crossing > limits.self_intersections:
        number = "So many triangles" if crossing is None else f"{crossing} pairs of triangles"
        found.append(
            Finding(
                "crossing_triangles",
                CHECK,
                f"{number} pass through each other. Scan passes may not fit together: compare "
                "the picture with the mouth, rescan where the surface doubles.",
                None if crossing is None else float(crossing),
                float(limits.self_intersections),
                "pairs",
            )
        )
    return found

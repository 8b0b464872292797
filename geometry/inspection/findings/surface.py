"""Findings about the file and the surface itself."""

from __future__ import annotations

from collections.abc import Sequence

from geometry.frame import SoftTissue
from geometry.inspection.findings.finding import CHECK, NOTE, STOP, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import Placer
from geometry.reading import UNIT_IN_MM, UNIT_WORDS, ScanFile
from geometry.topology import Island, Topology

# A scrap of less, mm²: a few triangles, and nothing that anybody could do or see.
_SPECK_MM2 = 0.5
# A scan in this many pieces, with less than this share of it in the largest, is no surface.
_CRUMBS, _CRUMB_SHARE = 100, 0.4


def unit_findings(scan: ScanFile) -> list[Finding]:
    """Say so when the unit was guessed to be something else than millimetres."""
    if not scan.units_assumed or scan.units == "mm":
        return []
    return [
        Finding(
            "unit_guessed",
            CHECK,
            f"By its size the file seems to be in {UNIT_WORDS[scan.units]}; measured as such. "
            f"Confirm with the unit {scan.units}, or export in millimetres.",
        )
    ]


def size_findings(extent: float, scan: ScanFile, limits: Limits) -> list[Finding]:
    """Stop what is larger than an arch."""
    if extent <= limits.extent_largest_mm:
        return []
    told = extent / UNIT_IN_MM[scan.units]
    if not scan.units_assumed and scan.units != "mm" and told <= limits.extent_largest_mm:
        remedy = f"Stated in {UNIT_WORDS[scan.units]}; in millimetres it would be {told:.0f} mm: "
        remedy += "leave the unit out if so."
    else:
        remedy = "Upload one arch alone, or state the unit of the file."
    return [
        Finding(
            "too_large",
            STOP,
            f"The scan is {extent:.0f} mm across, larger than any arch. {remedy}",
            extent,
            limits.extent_largest_mm,
            "mm",
        )
    ]


def scattered_findings(topology: Topology) -> list[Finding]:
    """Stop a surface in crumbs: triangles that share no corners make no surface to measure."""
    whole = topology.area_mm2 + sum(island.area_mm2 for island in topology.islands)
    share = topology.area_mm2 / max(whole, 1e-12)
    pieces = len(topology.islands) + 1
    if share >= _CRUMB_SHARE or pieces < _CRUMBS:
        return []
    return [
        Finding(
            "scattered",
            STOP,
            f"The triangles do not hang together: {pieces} pieces, the largest with {share:.0%} of "
            "the surface. Export again from the scanner as one surface, with shared corners.",
            float(pieces),
            float(_CRUMBS),
            "pieces",
        )
    ]


def piece_findings(topology: Topology, placer: Placer, limits: Limits) -> list[Finding]:
    """Judge the pieces beside the main one; scraps are told together."""
    least = limits.second_piece_share * topology.area_mm2
    parts = [island for island in topology.islands if island.area_mm2 >= least]
    found = _parts(parts, topology, placer, least) if parts else []
    scraps = []
    for island in topology.islands[len(parts) :]:
        place = placer(island.centre)
        if island.area_mm2 >= limits.island_check_mm2:
            found.append(
                Finding(
                    "loose_piece",
                    CHECK,
                    f"Loose piece of {island.area_mm2:.0f} mm², {place.words}; it was left "
                    "out. Delete it at the scanner if it is cheek, tongue or a second layer over "
                    "the teeth, rescan if it is part of the arch.",
                    island.area_mm2,
                    limits.island_check_mm2,
                    "mm²",
                    place.sextant,
                    place.side,
                    spot(island.centre),
                )
            )
        elif island.area_mm2 >= _SPECK_MM2:
            scraps.append(island)
    if scraps:
        largest = max(scraps, key=lambda island: island.area_mm2)
        place = placer(largest.centre)
        many = "A loose scrap" if len(scraps) == 1 else f"{len(scraps)} loose scraps, the largest"
        found.append(
            Finding(
                "loose_piece",
                NOTE,
                f"{many} of {largest.area_mm2:.1f} mm², {place.words}; left out. Nothing to do.",
                largest.area_mm2,
                limits.island_check_mm2,
                "mm²",
                place.sextant,
                place.side,
                spot(largest.centre),
            )
        )
    return found


def fault_findings(topology: Topology, limits: Limits) -> list[Finding]:
    """Faults of the triangles of the file's mesh: edges and winding."""
    found = []
    faulty = topology.nonmanifold_edges
    most = limits.faulty_edges_share * len(topology.main.faces)
    if faulty:
        found.append(
            Finding(
                "faulty_edges",
                CHECK if faulty > most else NOTE,
                f"The surface branches at {faulty} edge{'' if faulty == 1 else 's'} of its "
                f"triangles; it was measured past {'it' if faulty == 1 else 'them'}. "
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
                "Some triangles face the wrong way (they meet others at "
                f"{topology.inconsistent_winding} edges); they were turned. Nothing to do.",
                float(topology.inconsistent_winding),
            )
        )
    return found


def _parts(
    parts: Sequence[Island], topology: Topology, placer: Placer, least: float
) -> list[Finding]:
    """Stop a scan in two parts, or in several: one finding, whatever their number."""
    second = parts[0]
    place = placer(second.centre)
    if len(parts) == 1:
        words = (
            f"The scan is in two parts; the second covers {second.area_mm2:.0f} mm² ({place.words})"
            " and was not measured. Join them by scanning across the gap, or by exporting them as "
            "one joined surface where they touch, or upload one arch alone."
        )
    else:
        whole = topology.area_mm2 + sum(island.area_mm2 for island in topology.islands)
        words = (
            f"The scan is in {len(parts) + 1} parts, and only the largest was measured "
            f"({topology.area_mm2 / whole:.0%} of the surface), so what is said of it need not "
            "hold. Export it from the scanner as one joined surface; where parts do not touch, "
            "scan across the gap."
        )
    return [
        Finding(
            "second_piece",
            STOP,
            words,
            second.area_mm2,
            round(least, 1),
            "mm²",
            place.sextant,
            place.side,
            spot(second.centre),
        )
    ]


def soft_tissue_findings(
    set_aside: Sequence[SoftTissue], placer: Placer, limits: Limits
) -> list[Finding]:
    """Tell which cheek, lip or tongue was scanned along and left out."""
    found = []
    for piece in set_aside:
        if piece.area_mm2 < limits.soft_tissue_mm2:
            continue
        place = placer(piece.centre)
        if piece.lingual:
            words = (
                f"The tongue is on the scan ({piece.area_mm2:.0f} mm²). It was left out; gum under "
                "it is not seen. Where gum is short on the tongue's side, hold it away and rescan."
            )
        else:
            words = (
                f"Cheek or lip is on the scan, {place.words} ({piece.area_mm2:.0f} mm²). It was "
                "left out; gum behind it is not seen. Where gum is short there, hold it away and "
                "rescan."
            )
        found.append(
            Finding(
                "soft_tissue",
                NOTE,
                words,
                piece.area_mm2,
                limits.soft_tissue_mm2,
                "mm²",
                place.sextant,
                place.side,
                spot(piece.centre),
            )
        )
    return found

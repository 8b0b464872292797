"""From the bytes of a scan to findings and a verdict."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from geometry.axes import along_basis
from geometry.dentition import Dentition
from geometry.dentition import analyse as analyse_dentition
from geometry.dentition.row.rolled import Rolled
from geometry.errors import GeometryError
from geometry.frame import Frame, SoftTissue, clear, curve_of_spee, find_frame_rolled, measure_tilt
from geometry.inspection.engine import ENGINE
from geometry.inspection.findings import arch as arches
from geometry.inspection.findings import holes
from geometry.inspection.findings import surface as surfaces
from geometry.inspection.findings import tissue as tissues
from geometry.inspection.findings import webs as films
from geometry.inspection.findings.crossings import crossing_findings
from geometry.inspection.findings.finding import Finding, explain, in_order, verdict_of
from geometry.inspection.findings.hole_places import between_of, gum_line_of
from geometry.inspection.findings.sampling import sampling_findings, sampling_record
from geometry.inspection.limits import DEFAULT_LIMITS, Limits
from geometry.inspection.place import Placer
from geometry.inspection.result import Inspection
from geometry.inspection.stopwatch import Stopwatch
from geometry.inspection.undercut_report import (
    ArchUndercut,
    measure_arch,
    undercut_findings,
    undercut_record,
)
from geometry.mesh import Mesh
from geometry.reading import ScanFile, read_mesh
from geometry.sampling import Sampling, find_bumps
from geometry.sampling import measure as measure_sampling
from geometry.sampling.bumps import CELL_MM
from geometry.sampling.calm import CALMED_FROM_MM, JAGGED_FROM, calmed, roughness
from geometry.sampling.measure import without_grooves
from geometry.sampling.webs import find_webs
from geometry.topology import Topology, analyse, coarsen
from geometry.topology.adjacency import extent
from geometry.topology.intersections import find_intersections

_ENOUGH_TEETH = 6
_INWARD_TIMES = 2.0
"""What points into the scan is a spike from so many times the limit on."""
_OF_SCANS = ("bonded_parts", "bubble", "spike", "web")
_WALLS = "walls of a finished model are on the scan, which cannot be told from gum"
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Parts:
    """What was measured once a frame was found."""

    frame: Frame | None = None
    dentition: Dentition | None = None
    undercut: ArchUndercut | None = None
    placer: Placer | None = None


def inspect_scan(
    data: bytes,
    name: str,
    *,
    arch: str | None = None,
    units: str | None = None,
    limits: Limits | None = None,
) -> Inspection:
    """Inspect a scan of one arch.

    Parameters
    ----------
    data : bytes
        The whole file: STL, PLY or OBJ.
    name : str
        Its name, for messages.
    arch : {"upper", "lower"}, optional
        What the person says it is.
    units : {"mm", "cm", "m", "in"}, optional
    limits : Limits, optional

    Returns
    -------
    Inspection

    Raises
    ------
    ScanFileError
        The file cannot be read.
    GeometryError
        ``arch`` is not an arch.
    """
    if arch not in (None, "upper", "lower"):
        raise GeometryError(f"arch '{arch}' is not known; use upper or lower")
    limits = limits or DEFAULT_LIMITS
    watch = Stopwatch()
    with watch.part("read"):
        scan = read_mesh(data, name, units)
    with watch.part("topology"):
        topology = analyse(scan.mesh, self_intersections=False)
    findings = surfaces.unit_findings(scan)
    extent = _largest_side(scan.mesh)
    findings += surfaces.size_findings(extent, scan, limits)
    scattered = surfaces.scattered_findings(topology)
    solid = [] if scattered else arches.solid_findings(topology, extent)
    if not scattered and not solid:
        solid = arches.wall_findings(topology)
    findings += scattered + solid
    frame: Frame | None = None
    rolled: Rolled | None = None
    as_scanned, hopeless = topology, False
    with watch.part("sampling"):
        rough = roughness(topology)
    if not scattered and not solid:
        # What is so rough is scanned again in any case.
        hopeless = rough.noise_mm > limits.noise_stop_mm
        if rough.noise_mm > CALMED_FROM_MM or rough.jagged > JAGGED_FROM:
            topology = rough.copy or calmed(topology)
    calm = topology is not as_scanned
    # Two threads, as the compiled parts run beside each other on two cores.
    with ThreadPoolExecutor(max_workers=1) as beside:
        if not hopeless:
            crossings = beside.submit(_timed, watch, "crossings", find_intersections, scan.mesh)
        sampled = beside.submit(
            _timed, watch, "sampling", measure_sampling, as_scanned, limits.spike_mm, rough
        )
        coarser = beside.submit(_timed, watch, "sampling", coarsen, topology.main, CELL_MM)
        with watch.part("frame"):
            # What is larger than any arch is refused; measuring it would take minutes.
            if not scattered and _largest_side(topology.main) <= limits.extent_largest_mm:
                try:
                    frame, rolled = find_frame_rolled(topology.main, arch)
                except GeometryError as error:
                    findings.append(arches.not_an_arch(str(error)))
        sampling, fine = replace(sampled.result(), calmed=calm), coarser.result()
        if not hopeless:
            crossing, pairs = crossings.result()
            topology = replace(topology, self_intersections=crossing, intersecting=pairs)
    report: dict[str, Any] = {
        "engine": ENGINE,
        "file": _file_record(scan),
        "arch": {
            "value": "unknown",
            "confidence": 0.0,
            "looks": "unknown",
            "looks_confidence": 0.0,
        },
        "frame": None,
        "extent_mm": None,
        "topology": _topology_record(topology),
        "tilt": None,
        "tissue": None,
        "teeth": None,
        "undercut": None,
        "sampling": None,
    }
    findings += surfaces.fault_findings(topology, limits)
    parts = Parts()
    set_aside: tuple[SoftTissue, ...] = ()
    if frame is not None and frame.flaps is not None:
        with watch.part("frame"):
            cleared = clear(topology, frame)
            topology, frame, set_aside = cleared.topology, cleared.frame, cleared.set_aside
            rolled, fine = None, coarsen(topology.main, CELL_MM)
            if not calm:
                sampling = measure_sampling(topology, limits.spike_mm)
    if frame is not None:
        parts, more = _measure_arch(
            report, topology, frame, rolled, sampling, fine, limits, watch, set_aside
        )
        if solid:
            report["tissue"] |= {"status": "uncertain", "reason": _WALLS}
        # What stands out of a finished model is no moisture, and out of noise anything does.
        without = _OF_SCANS if solid or hopeless else ()
        findings += [found for found in more if found.code not in without]
    if not hopeless:
        with watch.part("crossings"):
            findings += crossing_findings(scan.mesh, crossing, pairs, parts.placer, limits)
    ordered = in_order(findings)
    report["findings"] = [finding.as_dict() for finding in ordered]
    report["verdict"] = verdict_of(ordered)
    report["explanation"] = explain(ordered)
    report["timings_ms"] = watch.total()
    return Inspection(
        report=report,
        findings=tuple(ordered),
        mesh=scan.mesh,
        scan=scan,
        topology=topology,
        frame=parts.frame,
        dentition=parts.dentition,
        undercut=parts.undercut.along if parts.undercut else None,
    )


def _measure_arch(
    report: dict[str, Any],
    topology: Topology,
    frame: Frame,
    rolled: Rolled | None,
    sampling: Sampling,
    fine: Mesh,
    limits: Limits,
    watch: Stopwatch,
    set_aside: tuple[SoftTissue, ...],
) -> tuple[Parts, list[Finding]]:
    """Fill the parts of the report that need a frame; return the parts and their findings."""
    main = topology.main
    with ThreadPoolExecutor(max_workers=1) as beside:
        undercuts = beside.submit(_timed, watch, "undercut", measure_arch, main, frame, fine)
        lumps = beside.submit(
            _timed,
            watch,
            "bumps",
            lambda: find_bumps(
                fine,
                _border_points(topology),
                frame.origin,
                np.stack([frame.right, frame.anterior, frame.occlusal]),
                undercuts.result().along.lattice.outward,
                limits.bubble_mm,
                0.0 if sampling.calmed else sampling.noise_mm,
            ),
        )
        with watch.part("teeth"):
            dentition = analyse_dentition(
                main, frame, topology, short_limit_mm=limits.tissue_least_mm, scan=rolled
            )
        if dentition.primary_row:
            frame = frame.of_whole_row()
        with watch.part("webs"):
            webs = find_webs(
                fine,
                _border_points(topology),
                frame.occlusal,
                undercuts.result().along.lattice.outward,
                films.grooves_of(frame, dentition),
            )
        undercut, bumps = undercuts.result(), lumps.result()
    webs = films.not_bonded(webs, bumps)
    bumps = films.without_films(bumps, webs)
    placer = Placer(frame, _centres(dentition))
    known_side = frame.sides_known
    report["arch"] = _arch_record(frame)
    report["frame"] = {
        "origin": _numbers(frame.origin),
        "right": _numbers(frame.right, 6),
        "anterior": _numbers(frame.anterior, 6),
        "occlusal": _numbers(frame.occlusal, 6),
    }
    axes = np.stack([frame.right, frame.anterior, frame.occlusal])
    size = np.diff(extent(along_basis(main.vertices, axes)), axis=0)[0]
    report["extent_mm"] = {
        name: round(float(v), 2) for name, v in zip(("width", "depth", "height"), size, strict=True)
    }
    report["topology"]["holes"] = [
        holes.hole_record(hole, placer(hole.centre)) for hole in topology.holes
    ]
    tilt = measure_tilt(frame)
    aside = dentition.behind_last(frame.tips) | dentition.distal_cusps(frame.tips)
    spee = curve_of_spee(frame, aside)
    depths = {"left": spee.left_mm, "right": spee.right_mm}
    report["tilt"] = {
        "angle_deg": round(tilt.angle_deg, 2),
        "pitch_deg": round(tilt.pitch_deg, 2),
        "roll_deg": round(tilt.roll_deg, 2),
        "curve_of_spee_mm": {
            side: None if depth is None else round(depth, 2) for side, depth in depths.items()
        },
    }
    report["tissue"] = dentition.tissue_report(named=known_side)
    report["teeth"] = dentition.teeth_report(named=known_side)
    gum_line, between = gum_line_of(frame, dentition), between_of(frame, dentition)
    findings = arches.side_findings(frame, limits)
    findings += arches.size_of_arch_findings(frame, limits)
    findings += holes.hole_findings(topology, placer, limits, gum_line, between)
    findings += arches.plane_findings(frame, limits)
    findings += arches.front_findings(frame, dentition, limits)
    findings += arches.outside_findings(frame, dentition, placer)
    plane_known = frame.tilt_sd_deg <= limits.plane_sd_deg
    if plane_known:
        findings += arches.tilt_findings(tilt.angle_deg, limits)
        findings += arches.spee_findings(depths, limits)
    findings += tissues.tooth_findings(dentition, limits)
    findings += tissues.end_findings(dentition, known_side)
    findings += tissues.tissue_findings(dentition, known_side, limits)
    findings += tissues.gap_findings(dentition, known_side, limits)
    findings += surfaces.piece_findings(topology, placer, limits)
    findings += surfaces.soft_tissue_findings(set_aside, placer, limits)
    with watch.part("undercut"):
        report["undercut"] = undercut_record(undercut, main, placer)
        if plane_known:
            findings += undercut_findings(undercut, main, placer, limits)
    outward = undercut.along.lattice.outward
    spikes = without_grooves(sampling.spikes, outward, _INWARD_TIMES * limits.spike_mm)
    sampling = replace(sampling, spikes=spikes)
    report["sampling"] = sampling_record(sampling, bumps)
    standing = sampling_findings(sampling, bumps, placer, limits, gum_line)
    if not any(one.code == "bonded_parts" and one.side == "facial" for one in standing):
        findings += tissues.attached_findings(dentition, known_side)
    findings += standing + films.web_findings(webs, placer)
    return Parts(frame, dentition, undercut, placer), findings


def _border_points(topology: Topology) -> NDArray[np.float64]:
    """Return the points of all border loops of the main piece."""
    loops = [topology.border, *topology.holes]
    chains = [loop.vertices for loop in loops if loop is not None]
    if not chains:
        return np.empty((0, 3))
    return topology.main.vertices[np.concatenate(chains)]


def _centres(dentition: Dentition) -> dict[int, NDArray[np.float64]] | None:
    """Return the teeth to tell places by; None when too few were found to trust them."""
    if len(dentition.teeth) < _ENOUGH_TEETH:
        return None
    return {tooth.number: tooth.centre for tooth in dentition.teeth}


def _timed(watch: Stopwatch, name: str, work: Callable[..., _T], *given: Any) -> _T:
    """Run ``work`` under the stopwatch."""
    with watch.part(name):
        return work(*given)


def _numbers(vector: Any, digits: int = 3) -> list[float]:
    return [round(float(v), digits) for v in vector]


def _largest_side(mesh: Mesh) -> float:
    low, high = extent(mesh.vertices)
    return float((high - low).max())


def _arch_record(frame: Frame) -> dict[str, Any]:
    """Return the arch as stated or else found, and what it looks like, each with how sure it is."""
    sure = frame.confidence
    return {
        "value": frame.arch,
        "confidence": round(1.0 - sure if frame.contradicts else sure, 3),
        "looks": frame.found_arch,
        "looks_confidence": round(sure, 3),
    }


def _file_record(scan: ScanFile) -> dict[str, Any]:
    return {
        "bytes": scan.size,
        "sha256": scan.sha256,
        "format": scan.format,
        "triangles": scan.triangles_read,
        "vertices": len(scan.mesh.vertices),
        "units": scan.units,
        "units_assumed": scan.units_assumed,
    }


def _topology_record(topology: Topology) -> dict[str, Any]:
    return {
        "watertight": topology.watertight,
        "shells": topology.shells,
        "boundary_loops": topology.boundary_loops,
        "holes": [
            {
                "perimeter_mm": round(hole.perimeter_mm, 3),
                "area_mm2": round(hole.area_mm2, 3),
                "sextant": None,
                "side": None,
                "centre": _numbers(hole.centre),
            }
            for hole in topology.holes
        ],
        "nonmanifold_edges": topology.nonmanifold_edges,
        "degenerate_triangles": topology.degenerate_triangles,
        "duplicate_triangles": topology.duplicate_triangles,
        "inconsistent_winding": topology.inconsistent_winding,
        "self_intersections": topology.self_intersections,
    }

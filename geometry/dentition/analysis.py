"""Teeth and gingiva of a scan: the whole reading."""

from __future__ import annotations

import time
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from geometry.axes import ArchAxes, along_basis
from geometry.dentition.gum.successors import odds_of_primary
from geometry.dentition.gum.tissue import Margins, Relief, SideReading, read_margins
from geometry.dentition.gum.wires import Pad, bonded_wire
from geometry.dentition.result import (
    SHORT_CROWNS,
    SHORT_ODDS,
    SIDES,
    Dentition,
    TissuePlace,
    Tooth,
    Wire,
    margin_shows,
)
from geometry.dentition.row.archline import ArchLine, place, places
from geometry.dentition.row.crowns import row_numbers, row_sizes, sextant_of
from geometry.dentition.row.embrasures import open_embrasures
from geometry.dentition.row.ends import cut_ends
from geometry.dentition.row.gaps import HALF_SHARE, believed, find_gaps
from geometry.dentition.row.passages import find_passages
from geometry.dentition.row.rolled import Rolled, cheapest_row, rolled
from geometry.dentition.row.rows import Row, with_sunken
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, Sheets
from geometry.dentition.row.shortness import told_apart
from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.sampling.thinning import edge_lengths, some_of
from geometry.topology.result import Topology

Array = NDArray[np.float64]

SHORT_MM = 3.0
FEWEST_TEETH = 3
HOLE_LEAST_MM = 20.0
"""A hole this long around (6 mm across) ends the tissue; a lesser one is only a hole."""
GRAIN_ABOVE_MM, GRAIN_VERTICES = -6.0, 5_000
"""The crowns' edges above this are measured, those of so many vertices."""


class Axes(ArchAxes, Protocol):
    """Axes of an arch that is known, or not."""

    @property
    def arch(self) -> str:
        """``upper``, ``lower`` or ``unknown``."""


def analyse(
    mesh: Mesh,
    frame: Axes,
    topology: Topology,
    *,
    short_limit_mm: float = SHORT_MM,
    scan: Rolled | None = None,
) -> Dentition:
    """Find teeth, gingival margin, captured tissue, gaps and open embrasures.

    Parameters
    ----------
    mesh : Mesh
        The scan; ``topology.main`` of it is measured.
    frame : Frame
        With the occlusal plane and, where known, the arch.
    topology : Topology
        Of ``mesh``: gives the main piece and its outer border.
    short_limit_mm : float
        Captured tissue below this is short.
    scan : Rolled, optional
        The main piece rolled out in this frame, where that was done before.

    Returns
    -------
    Dentition
        With ``status`` ``uncertain`` and a reason where it could not be read; it never
        takes the border for gingiva.
    """
    clock = time.perf_counter()
    surface = topology.main
    try:
        scan = scan or rolled(surface, frame)
    except GeometryError as error:
        return Dentition(
            frame.arch, status="uncertain", reason=str(error), short_limit_mm=short_limit_mm
        )
    local, axes, line, sheets = scan.local, scan.axes, scan.line, scan.sheets
    timings = {"roll_out": 1000 * (time.perf_counter() - clock)}
    clock = time.perf_counter()
    row = cheapest_row(scan, frame.arch)
    timings["row"] = 1000 * (time.perf_counter() - clock)
    if row is None or len(row[1].numbers) < FEWEST_TEETH:
        return Dentition(
            frame.arch,
            status="uncertain",
            short_limit_mm=short_limit_mm,
            reason="fewer than three teeth were recognised",
            timings_ms=timings,
        )
    arch, teeth = row[0], with_sunken(row[1], sheets.top, row[0])
    clock = time.perf_counter()
    tip = _tips(sheets, teeth)
    average = dict(zip(row_numbers(arch).tolist(), row_sizes(arch)[:, 0].tolist(), strict=True))
    relief = _relief(topology, local, line, axes, scan.wound)

    def read(numbers: NDArray[np.int64]) -> tuple[Array, Margins]:
        usual = np.array([average[int(number)] for number in numbers])
        return usual, read_margins(
            sheets, relief, teeth.start, teeth.stop, tip, usual, numbers, short_limit_mm
        )

    usual, margins = read(teeth.numbers)
    odds = odds_of_primary(margins, sheets.z, teeth, tip, arch)
    named = told_apart(teeth, odds)
    if (named.numbers != teeth.numbers).any():
        # Margins are looked for once more where such crowns end.
        usual, margins = read(named.numbers)
    teeth = named
    timings["margin"] = 1000 * (time.perf_counter() - clock)
    clock = time.perf_counter()
    lift = _Lift(frame, axes, line, sheets)
    found = tuple(
        _tooth(int(number), k, teeth, tip, margins, lift) for k, number in enumerate(teeth.numbers)
    )
    length = believed(usual * margins.ratio, teeth)
    passages = find_passages(
        scan.sn,
        np.ascontiguousarray(local[:, 2]),
        scan.faces,
        scan.shadow,
        line,
        teeth.start,
        teeth.stop,
        tip - HALF_SHARE * length,
    )
    columns = np.round(0.5 * (teeth.stop[:-1] + teeth.start[1:]) / STEP_S_MM).astype(np.int64)
    papilla = np.max([margins.heights[side][columns] for side in SIDES], axis=0)
    grain = _grain(local, topology)
    gaps = find_gaps(passages, teeth, tip, length, papilla, grain, lift.file)
    closed = [g.between for g in gaps]
    openings = open_embrasures(
        sheets, teeth.numbers, teeth.start, teeth.stop, tip, closed, lift.point
    )
    timings["gaps"] = 1000 * (time.perf_counter() - clock)
    gum = np.array([max(margins.readings[s][k].margin_z for s in SIDES) for k in range(len(tip))])
    cut = cut_ends(
        relief, teeth.start, teeth.stop, tip, gum, teeth.numbers, teeth.shadow, lift.file
    )
    status, reason = _status(found, frame.arch, margins.ratio)
    return Dentition(
        arch,
        found,
        gaps,
        openings,
        cut,
        status,
        reason,
        short_limit_mm,
        timings,
        _wire(sheets, teeth, tip, margins.pads, lift),
        tuple(int(number) for number in teeth.numbers[margins.attached]),
        margins.ratio,
    )


def _tips(sheets: Sheets, row: Row) -> Array:
    out = np.empty(len(row.numbers))
    for k in range(len(out)):
        inset = 0.15 * (row.stop[k] - row.start[k])
        a = int((row.start[k] + inset) / STEP_S_MM)
        b = max(int((row.stop[k] - inset) / STEP_S_MM), a) + 1
        part = sheets.top[a:b]
        part = part[~np.isnan(part)]
        out[k] = np.percentile(part, 95) if len(part) else 0.0
    return out


def _relief(topology: Topology, local: Array, line: ArchLine, axes: Array, wound: float) -> Relief:
    """The scan with its outer border and which way the surface faces there."""
    if topology.border is None:
        loop = np.empty(0, dtype=np.int64)
    else:
        loop = np.asarray(topology.border.vertices)
    # In left-handed axes a cross product points the other way than the vector it stands for.
    outward = wound * float(np.sign(np.linalg.det(axes)))
    turned = along_basis(topology.vertex_normals, np.ascontiguousarray(axes.T * outward))
    normals = np.ascontiguousarray(turned[:, :2])
    rims = [hole.vertices for hole in topology.holes if hole.perimeter_mm >= HOLE_LEAST_MM]
    rim = np.concatenate([np.empty(0, dtype=np.int64), *rims]).astype(np.int64)
    return Relief(local, normals, local[loop], normals[loop], local[rim], normals[rim], line)


class _Lift:
    """From rolled-out coordinates back to the file's."""

    def __init__(self, frame: Axes, axes: Array, line: ArchLine, sheets: Sheets) -> None:
        self._origin = np.asarray(frame.origin)
        self.arch_known = frame.arch != "unknown"
        self._axes = axes
        self._line = line
        self._sheets = {"facial": sheets.facial, "lingual": sheets.lingual}
        self._z = sheets.z

    def file(self, local: Array) -> Array:
        """Points in (right, anterior, occlusal) axes to file coordinates."""
        return np.asarray(self._origin + local @ self._axes.T)

    def point(self, s: float, n: float, z: float) -> Array:
        """One point given by arc length, outward distance and height."""
        return self.file(np.array([*place(self._line, s, n), z]))

    def on_sheet(self, side: str, columns: NDArray[np.int64], z: Array) -> Array:
        """Points of a sheet at given columns and heights, those that are on the scan."""
        sheet = self._sheets[side]
        rows = np.clip(np.round((self._z[0] - z) / STEP_Z_MM).astype(int), 0, sheet.shape[1] - 1)
        n = sheet[columns, rows]
        keep = ~np.isnan(n)
        plane = places(self._line, columns[keep] * STEP_S_MM, n[keep])
        return self.file(np.column_stack([plane, z[keep]]))

    def nearest(self, side: str, column: int, z: float) -> Array:
        """The sheet's point at a column nearest to a height, put at that height."""
        sheet = self._sheets[side]
        known = np.flatnonzero(~np.isnan(sheet[column]))
        if not len(known):
            return self.point(column * STEP_S_MM, 0.0, z)
        row = known[np.argmin(np.abs(self._z[known] - z))]
        return self.point(column * STEP_S_MM, float(sheet[column, row]), z)


def _tooth(number: int, k: int, row: Row, tip: Array, margins: Margins, lift: _Lift) -> Tooth:
    middle = 0.5 * (row.start[k] + row.stop[k])
    column = round(middle / STEP_S_MM)
    places = {side: _place(side, column, margins.readings[side][k], lift) for side in SIDES}
    return Tooth(
        number=number,
        number_sure=bool(row.sure[k]) and lift.arch_known,
        sextant=sextant_of(number),
        centre=lift.point(float(middle), 0.0, float(tip[k])),
        width_mm=float(row.stop[k] - row.start[k]),
        crown_length_mm=float(tip[k] - margins.readings["facial"][k].margin_z),
        facial=places["facial"],
        lingual=places["lingual"],
    )


def _place(side: str, column: int, reading: SideReading, lift: _Lift) -> TissuePlace:
    return TissuePlace(
        margin=lift.on_sheet(side, reading.columns, reading.line_z),
        margin_seen=reading.margin_seen,
        captured_mm=reading.captured,
        low_mm=reading.low,
        high_mm=reading.high,
        p_short=reading.p_short,
        status="uncertain" if reading.doubtful else "measured",
        at=lift.nearest(side, column, reading.margin_z),
        border=lift.nearest(side, column, reading.border_z),
        goes_on=reading.goes_on,
    )


def _wire(sheets: Sheets, row: Row, tip: Array, pads: list[Pad], lift: _Lift) -> Wire | None:
    bridges = bonded_wire(sheets.lingual, sheets.z, row.start, row.stop, tip, row.numbers)
    if pads:
        ends = (pads[0].tooth, pads[-1].tooth)
        pad = pads[len(pads) // 2]
        column = round(0.5 * (row.start[pad.tooth] + row.stop[pad.tooth]) / STEP_S_MM)
        place_row = (pad.top + pad.low) // 2
    elif bridges:
        ends = (bridges[0].first, bridges[-1].first + 1)
        bridge = bridges[len(bridges) // 2]
        column, place_row = bridge.column, bridge.row
    else:
        return None
    first, last = (int(row.numbers[k]) for k in ends)
    at = lift.nearest("lingual", column, float(sheets.z[place_row]))
    return Wire((first, last), sextant_of(first), at)


def _grain(local: Array, topology: Topology) -> float:
    """Median edge of the triangles near the biting surfaces, mm."""
    some = local[:, 2] > GRAIN_ABOVE_MM
    some[some] = some_of(local[some], GRAIN_VERTICES)
    lengths = edge_lengths(local, topology.neighbours, some)
    return float(np.median(lengths)) if len(lengths) else 0.5


def _status(teeth: tuple[Tooth, ...], arch: str, crown_ratio: float) -> tuple[str, str]:
    doubtful = [
        f"{tooth.number} {side}"
        for tooth in teeth
        for side in SIDES
        if tooth.side(side).status == "uncertain" and tooth.side(side).p_short < SHORT_ODDS
    ]
    if not margin_shows(teeth):
        return "uncertain", "the gingival margin was not found on most teeth"
    if crown_ratio < SHORT_CROWNS:
        return "uncertain", "the margin as it was read leaves crowns far shorter than usual"
    if doubtful:
        return "uncertain", "could not tell whether tissue is short at " + ", ".join(doubtful)
    if arch not in ("upper", "lower"):
        return "uncertain", "it is not known which arch this is, so regions may be swapped"
    return "measured", ""


def warm() -> None:
    """Compile everything on a tiny made-up arch."""
    from geometry.dentition.warming import toy_arch
    from geometry.topology import analyse as analyse_topology

    mesh, frame = toy_arch()
    analyse(mesh, frame, analyse_topology(mesh, self_intersections=False))

"""From a scan to a print-ready model."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.axes import ArchAxes
from geometry.dentition import Dentition
from geometry.dentition import analyse as analyse_dentition
from geometry.dentition.row.rolled import Rolled
from geometry.errors import GeometryError
from geometry.forming import form_over
from geometry.frame import Frame, SoftTissue, clear, find_frame_rolled
from geometry.mesh import Mesh
from geometry.model.additions.extras import add_extras
from geometry.model.base.assembling import Closed
from geometry.model.base.closing import close_surface
from geometry.model.base.healing import Healed, heal
from geometry.model.base.ownbase import without_base
from geometry.model.base.standing import FoldedBorder
from geometry.model.bodies.solids import as_written
from geometry.model.bodies.uniting import folds_of, unite
from geometry.model.changes import changes, far_off, loops_left, repairs
from geometry.model.evenness import forming_record, ground_of, spread_not_levelled
from geometry.model.gumline import GumLine
from geometry.model.levelling import doubts, height_spread, tilt_after
from geometry.model.memory import give_back
from geometry.model.pose import incisal_height, model_axes
from geometry.model.prepared import PreparedModel
from geometry.model.refusing import refuse_flat, refuse_pieces, refuse_spikes
from geometry.model.settings import ModelSettings
from geometry.model.surface.halfedges import Faces, genus, rise, signed_volume
from geometry.model.surface.mending import Spot
from geometry.model.surface.skin import Skin, turned_over
from geometry.model.trimming import (
    Trim,
    choose_trim,
    highest_trim,
    little_tissue,
    margin_doubts,
    margin_heights,
    margin_names,
    tissue_kept,
)
from geometry.model.undercuts.blockout import SPECK, BlockOut, block_out, near_fill
from geometry.model.undercuts.ledges import find_ledges
from geometry.model.undercuts.parts import part_record, standing_out
from geometry.model.undercuts.regions import Misplaced, Places
from geometry.model.undercuts.shadow import cast_shadow, deep_air, whole_columns, wide_enough
from geometry.topology import Topology, analyse
from geometry.topology.adjacency import extent
from geometry.version import VERSION

Array = NDArray[np.float64]

REVISION = 22
"""Raised whenever the same scan and settings may give other bytes.

1: the first. 2: block-out by rays, height from the incisors, fills united on the surface.
3: the scan is mended once, before it is cut. 4: creases are mended too, borders are cut back
only as far as each place needs, an automatic trim stays clear of the margin's uncertainty.
5: that uncertainty is taken place by place; fills have no walls in one plane; a code under the
base keeps to where the model is thick. 6: handles are cut where they are narrowest, all at once.
7: only the pieces of a fill that cross the surface are moved a hair, and no longer in vain.
8: beside the end of a scan that was cut off, tissue counts that lies next to a tooth's middle.
9: where a border folds, its wall stands on a line past the fold; single lattice points are no
depth of undercut, and how deep one is is told beyond the lattice's reach. 10: of several ways to
close a border the one that has cost least is followed, and walls that cross far from the surface no
longer stop a closing; a mend that would take more than 2 mm off a crown is refused. 11: the crown
under an attachment is not blocked out; bridges over folds of a border may lean to one side, which
saves gum. 12: where a border costs most, other bridges are tried place by place; a pad for a code
closes no loop; a ring that cannot be closed is left and told. 13: cheek, lip and tongue on a scan
are left out; drains keep clear of a code and fit their cavity. 14: the frame is found along the
scan's own axes, whatever its pose; gum a folded border would cost is built up again from upright
columns where it is seen from above, other bridges are no longer tried place by place; slits
narrower than a lattice step are no undercut left. 15: gum missing beside the gum line is told as
that, and refused where an appliance would have nothing to end on; where no bridge closes a border,
a strip around its folds is left out and built up again. 16: a scan that crosses itself in very
many places is mended everywhere; the incisal edge is looked for at the teeth, not on a cheek that
stands higher; what stands beside or over the teeth is no crown; places built up again are checked
where they were joined. 17: ways to close a border are tried near it; where far too much would be
lost a strip of the border is left out; places are built up again in halves; mended places are told
up to 8 mm wide. 18: unions are mended in the part that the bodies touch; shafts open to the base
are plugged; upright planes at the ends only where far too much is lost; places built up again are
told. 19: the plane and touching sheets as inspection 21 has them; a plane that would leave nothing
cuts nothing off; a scan with more crossings than triangles is refused. 20: the gum line as
inspection 22 has it. 21: the gum line as inspection 23 has it; a base that mending folded over
itself is laid anew; a crown that the scan ends on is told; a scan full of spikes is refused.
22: the gum line as inspection 24 has it; a crown's own bulge over its neck is filled and no
attachment; what undercut is left is counted on columns that the depth is a whole number of; a
window under a contact is closed instead of the contact being cut.
"""

ENGINE = f"{VERSION}+model.{REVISION}"
LEAST_BORDER = 25.0
STEP = 0.2
OFF_COLUMNS = 0.937
RESIDUAL_OVER = 0.1
"""Half a lattice step; what is left beyond the depth by more, mm, is told."""
LESS_TISSUE = (0.0, 1.0, 2.0)
"""So much tissue, mm, is given up at last where a border can be closed in no other way."""
LEAST_RAISE = 0.5
"""Less than this, mm, is no use to a border that folds just above the trim."""


@dataclass(frozen=True, slots=True)
class Known:
    """What was found in a scan before a model is made of it."""

    topology: Topology
    frame: ArchAxes
    dentition: Dentition | None
    healed: Healed
    soft: tuple[SoftTissue, ...] = ()
    """Cheek, lip or tongue that was scanned along and left out."""
    spreads: dict[tuple[float, float, float], float | None] = field(default_factory=dict)
    """Spread of a sheet over the scan not levelled, by pitch, roll and sheet, for quick looks."""


def prepare(
    mesh: Mesh,
    settings: ModelSettings,
    *,
    frame: ArchAxes | None = None,
    dentition: Dentition | None = None,
    name: str = "model",
) -> PreparedModel:
    """Make a print-ready model of a scan.

    Parameters
    ----------
    mesh : Mesh
        Scan of one arch, welded, mm.
    settings : ModelSettings
    frame, dentition : optional
        What an inspection found; found here when not given.
    name : str
        Name of the model inside files that hold one.

    Returns
    -------
    PreparedModel

    Raises
    ------
    GeometryError
        The scan is not an arch, or cannot be made into a solid without guessing;
        the message says where and what to do.
    """
    known = look(mesh, settings.arch, frame, dentition)
    return build(known, settings, STEP, name)


def look(
    mesh: Mesh, arch: str | None, frame: ArchAxes | None, dentition: Dentition | None
) -> Known:
    """Find frame and teeth of a scan where they are not given."""
    topology = analyse(mesh, self_intersections=False)
    refuse_pieces(topology)
    if topology.border is None or topology.border.perimeter_mm < LEAST_BORDER:
        topology = _opened(topology)
    refuse_spikes(topology)
    # Mending is mostly compiled code, which leaves the interpreter to the rest.
    with ThreadPoolExecutor(max_workers=1) as aside:
        healing = aside.submit(heal, topology)
        rolled: Rolled | None = None
        if frame is None:
            frame, rolled = find_frame_rolled(topology.main, arch)
        refuse_flat(topology, frame)
        soft: tuple[SoftTissue, ...] = ()
        if isinstance(frame, Frame) and frame.flaps is not None:
            cleared = clear(topology, frame)
            topology, frame, soft = cleared.topology, cleared.frame, cleared.set_aside
            rolled = None
            healing = aside.submit(heal, topology)
        if dentition is None and isinstance(frame, Frame):
            dentition = analyse_dentition(topology.main, frame, topology, scan=rolled)
            if dentition.primary_row:
                frame = frame.of_whole_row()
        known = Known(topology, frame, dentition, healing.result(), soft)
    give_back()
    return known


def _opened(topology: Topology) -> Topology:
    """Take the flat base of a closed body away."""
    main = topology.main
    if signed_volume(main.vertices, main.faces) < 0.0:
        main = Mesh(main.vertices, np.ascontiguousarray(main.faces[:, ::-1]))
    opened = without_base(main)
    if opened is None or not len(opened.faces):
        raise GeometryError(
            "the file is a closed body without a flat base, so there is no telling where the"
            " teeth end; export the scan as an open surface, or with a flat base"
        )
    return replace(analyse(opened, self_intersections=False), islands=topology.islands)


def build(
    known: Known,
    settings: ModelSettings,
    step: float,
    name: str = "model",
    quick: bool = False,
) -> PreparedModel:
    """Make the model of a scan that was looked at.

    Parameters
    ----------
    known : Known
    settings : ModelSettings
    step : float
        Of the block-out lattice, mm.
    name : str
    quick : bool
        Only to be looked at: the block-out lies in the solid instead of being united with
        it, and the spread of the sheet before levelling is the first one found.
    """
    skin, move = _stand_up(known, settings)
    surface = skin.mesh
    warnings: list[str] = []
    remarks: list[str] = []
    islands = len(known.topology.islands)
    if islands:
        warnings.append(f"{islands} loose piece{'s' if islands > 1 else ''} of the scan left out")
    if known.soft:
        area = sum(piece.area_mm2 for piece in known.soft)
        warnings.append(
            f"{area:.0f} mm² of cheek, lip or tongue on the scan left out; the model ends where"
            " they begin"
        )
    if isinstance(known.frame, Frame) and known.frame.contradicts:
        warnings.append(
            f"the scan looks like the {known.frame.found_arch} arch, not the "
            f"{known.frame.stated_arch} one; check before printing"
        )
    warnings += doubts(known.frame)
    margin, border = margin_heights(known.dentition, move, surface.vertices)
    doubt = margin_doubts(known.dentition)
    trim = _trim(settings, surface, margin, border, doubt)
    places = Places(known.frame if isinstance(known.frame, Frame) else None, known.dentition, move)
    with ThreadPoolExecutor(max_workers=1) as aside:
        # The sheet is formed in one long compiled call, while other cores do the rest.
        tilt = (settings.pitch, settings.roll, settings.sheet)
        wanted = trim.z
        before = aside.submit(
            lambda: (
                known.spreads[tilt]
                if quick and tilt in known.spreads
                else spread_not_levelled(surface, known.frame, move, places, wanted, settings.sheet)
            )
        )
        highest = highest_trim(settings.height, margin, doubt, settings.tissue)
        try:
            closed, height = _closed(skin, wanted, settings, highest)
        except Misplaced as error:
            raise error.named(places) from error
        if height != wanted:
            warnings.append(
                f"the scan's border folds above a trim at {wanted:.1f} mm; the trim was raised to"
                f" {height:.1f} mm"
            )
            trim = Trim(height, tissue_kept(margin, border, height))
        names = margin_names(known.dentition)
        warnings += little_tissue(margin, border, trim, settings.tissue, names)
        # Rounded now, so that what is added later meets the surface as a file will hold it.
        closed.vertices, closed.faces = as_written(closed.vertices, closed.faces)
        remarks += closed.notes
        if closed.holes:
            area = sum(hole["area_mm2"] for hole in closed.holes)
            count = len(closed.holes)
            remarks.append(f"{count} hole{'s' if count > 1 else ''} filled, {area:.1f} mm² in all")
        vertices, faces = closed.vertices, closed.faces
        give_back()
        folded = None if quick else aside.submit(folds_of, vertices, faces)
        ledges = find_ledges(vertices, faces, known.dentition, move)
        filling = block_out(vertices, faces, settings.block_out, places, step, ledges)
        warnings += standing_out(ledges, places, settings.block_out)
        spots: list[Spot] = []
        if folded is None:
            vertices, faces = _laid_in(vertices, faces, filling)
        else:
            vertices, faces, spots = unite(vertices, faces, filling.body, folded.result())
            warnings += loops_left(genus(faces))
            give_back()
        # Before letters are cut into the base: they are no undercut of the teeth.
        formed = aside.submit(form_over, ground_of(Mesh(vertices, faces)), trim.z)
        block_out_record = _block_out_record(filling, closed, vertices, faces, step)
        block_out_record["parts"] = [part_record(ledge, places) for ledge in ledges]
        residual = block_out_record["residual_max_mm"]
        if filling.depth is not None and residual > filling.depth + RESIDUAL_OVER:
            warnings.append(
                f"an undercut of {residual:.2f} mm is left where {filling.depth:.2f} mm were"
                " wanted; see that the appliance can pass it"
            )
        if quick:
            vertices, faces, extras, covers = add_extras(
                closed.vertices, closed.faces, settings, warnings, remarks
            )
            volume = signed_volume(vertices, faces)
            if filling.surface is not None:
                volume += filling.first_mm3
                block_out_record["added_mm3"] = round(filling.first_mm3, 2)
            vertices, faces = _laid_in(vertices, faces, filling)
        else:
            vertices, faces, extras, covers = add_extras(
                vertices, faces, settings, warnings, remarks
            )
            volume = signed_volume(vertices, faces)
        solid = Mesh(vertices, faces)
        spots += closed.spots
        spots += [
            Spot(spot.what, move[:3, :3] @ spot.at + move[:3, 3], spot.size)
            for spot in known.healed.spots
        ]
        scan = known.topology.main.vertices @ move[:3, :3].T + move[:3, 3]
        line = GumLine(known.dentition, move)
        mended, deviation = changes(scan, trim.z, spots, covers, filling, solid, places, line)
        warnings += far_off(mended, trim.z)
        remarks += repairs(mended)
        filled = near_fill(filling, solid.triangles.mean(axis=1), 1)
        forming = forming_record(
            formed.result(), before.result(), places, settings.sheet, settings.sheet_limit
        )
        known.spreads[tilt] = before.result()
    report = {
        "engine": ENGINE,
        "transform": move.tolist(),
        "height_mm": settings.height,
        "top_mm": round(float(vertices[:, 2].max()), 3),
        "watertight": not quick,
        "volume_ml": round(volume / 1000.0, 5),
        "tilt_after_deg": round(tilt_after(known.frame, move), 3),
        "height_spread_mm": height_spread(known.frame, move),
        "trim": _trim_record(trim, settings),
        "block_out": block_out_record,
        "surface_deviation_mm": deviation,
        "mended": mended,
        "forming": forming,
        "holes": closed.holes,
        **extras,
        "warnings": warnings + remarks,
        "remarks": remarks,
    }
    return PreparedModel(solid, move, trim.z, filled, report, name)


def _laid_in(vertices: Array, faces: Faces, filling: BlockOut) -> tuple[Array, Faces]:
    """Return a solid and the surface of its fill, which run through each other."""
    if filling.surface is None:
        return vertices, faces
    fill_v, fill_f = filling.surface
    return np.vstack((vertices, fill_v)), np.concatenate((faces, fill_f + np.int32(len(vertices))))


def _stand_up(known: Known, settings: ModelSettings) -> tuple[Skin, Array]:
    """Move the scan into model axes, outward normals up, base at the chosen height."""
    skin = known.healed.skin
    turn = model_axes(known.frame, settings.pitch, settings.roll)
    points = skin.vertices @ turn.T
    crowns = known.dentition.teeth if known.dentition else ()
    teeth = {tooth.number: turn @ tooth.centre for tooth in crowns}
    lift = settings.height - incisal_height(points, skin.faces, teeth)
    middle = extent(points)[:, :2].mean(axis=0)
    shift = np.array([-middle[0], -middle[1], lift])
    move = np.eye(4)
    move[:3, :3] = turn
    move[:3, 3] = shift
    standing = Skin(points + shift, skin.faces, skin.kind, skin.opposite)
    if known.topology.border is not None and rise(points, skin.faces) < 0:
        standing = turned_over(standing)
    return standing, move


def _trim(
    settings: ModelSettings, surface: Mesh, margin: Array, border: Array, doubt: Array
) -> Trim:
    if settings.trim is not None:
        return Trim(settings.trim, tissue_kept(margin, border, settings.trim))
    beyond = 0.25 if settings.block_out is None else settings.block_out
    return choose_trim(
        surface.vertices,
        surface.faces,
        settings.height,
        margin,
        border,
        doubt,
        settings.tissue,
        beyond,
    )


def _closed(
    skin: Skin, trim: float, settings: ModelSettings, highest: float
) -> tuple[Closed, float]:
    """Close the surface; return it and the height of the trim.

    Where the scan's border folds, an automatic trim is raised as far as tissue allows; where
    that does not help, the surface is cut off inside the folds, and at last with less tissue.
    """
    heights = [trim]
    if settings.trim is None and highest > trim + LEAST_RAISE:
        heights.append(highest)
    for height in heights:
        try:
            return close_surface(skin, height, settings.height), height
        except FoldedBorder:
            continue
    height = heights[-1]
    for more in LESS_TISSUE[:-1] if settings.trim is None else ():
        try:
            return close_surface(skin, height + more, settings.height, ends=True), height + more
        except FoldedBorder:
            continue
    height += LESS_TISSUE[-1] if settings.trim is None else 0.0
    return close_surface(skin, height, settings.height, ends=True), height


def _trim_record(trim: Trim, settings: ModelSettings) -> dict[str, Any]:
    return {
        "z_mm": round(trim.z, 3),
        "chosen": "by hand" if settings.trim is not None else "auto",
        "tissue_kept_mm": {"min": None if trim.kept is None else round(trim.kept, 2)},
        "undercut_taken_mm3": None
        if trim.undercut_below is None
        else round(trim.undercut_below, 2),
        "undercut_left_mm3": None if trim.undercut_above is None else round(trim.undercut_above, 2),
    }


def _block_out_record(
    filling: BlockOut, closed: Closed, vertices: Array, faces: Faces, step: float
) -> dict[str, Any]:
    before = signed_volume(closed.vertices, closed.faces)
    record: dict[str, Any] = {
        "depth_mm": filling.depth,
        "added_mm3": round(max(signed_volume(vertices, faces) - before, 0.0), 2),
        "undercut_before_mm3": round(filling.first_mm3, 2),
        "regions": filling.regions,
        "spared_mm3": round(filling.spared_mm3, 2),
    }
    if filling.depth is None:
        record["added_mm3"] = 0.0
        record["undercut_after_mm3"] = record["undercut_before_mm3"]
        record["residual_max_mm"] = round(filling.shadow.deepest(filling.shadow.air), 3)
        return record
    # Not on the columns that the fill was shaped on: its corners lie exactly on them.
    step = whole_columns(step * OFF_COLUMNS, filling.depth)
    shadow = cast_shadow(vertices, faces, filling.depth, step, spared=filling.spared)
    left = deep_air(shadow, filling.depth, 0.0)
    specks = left & ~wide_enough(deep_air(shadow, filling.depth, SPECK))
    air = shadow.air & ~specks.reshape(-1, shadow.levels)[shadow.cells]
    record["undercut_after_mm3"] = round(float(left.sum()) * step**3, 3)
    record["residual_max_mm"] = round(shadow.deepest(air), 3)
    return record


__all__ = ["ENGINE", "Known", "build", "look", "prepare"]

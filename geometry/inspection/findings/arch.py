"""Findings about the arch as a whole: what it is, how it lies, how much of it there is."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geometry.dentition import Dentition
from geometry.dentition.row.crowns import between
from geometry.frame import TILT_OFF_BY, Frame
from geometry.frame.tissue.walls import AROUND, walled_share
from geometry.inspection.findings.finding import CHECK, NOTE, STOP, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import Placer
from geometry.topology import Topology

# The border of a scan is at least twice as long as the scan; halfway to that is none.
_BORDER_SHARE = 1.5
# Sine of the angle that a wall's triangles may turn from its direction, and the least share of
# what touches the border that does not turn farther. Software draws its wall straight to the last
# digit; gum that falls steeply all around turns by more than a tenth, in places.
_STRAIGHT, _WALL_SHARE = 0.03, 0.85
# The least cosine and share of a table's triangles among them, and the most that the border stands
# off one level, mm (root mean square). Of scans without a table not half lie one way.
_FLAT, _TABLE_SHARE, _TABLE_MM = 0.9, 0.8, 4.0
# A tooth crowded out of the row stands so near to the place that it lacks; peaks nearer to each
# other are of one tooth.
_BEFORE_MM, _ONE_MM = 7.0, 5.0


def not_an_arch(reason: str) -> Finding:
    """Return the finding for something in which no row of teeth was recognised."""
    return Finding(
        "not_an_arch",
        STOP,
        f"No dental arch recognised: {reason}. Check that the right file was uploaded.",
    )


def solid_findings(topology: Topology, extent: float) -> list[Finding]:
    """Stop a closed body: the border is where a scan ends, so this is no scan.

    A closed body may have holes; the border of a scan runs around all of it.
    """
    border = topology.border
    if border is not None and border.perimeter_mm >= _BORDER_SHARE * extent:
        return []
    return [
        Finding(
            "closed_solid",
            STOP,
            "The file is a closed solid, not a scan as the scanner took it, so captured gum "
            "cannot be judged. Upload the open scan, not a finished model.",
        )
    ]


def wall_findings(topology: Topology) -> list[Finding]:
    """Stop a scan with a straight wall around it: it is no gum.

    Software adds one to make a base: all that touches the border then runs along one direction.
    A scanned plaster model has one below its gum, and the scan ends on the table. Where it ends
    on the wall, it is not told: gum that was captured far down may run as straight.
    """
    border = topology.border
    if border is None:
        return []
    main = topology.main
    on_border = np.zeros(len(main.vertices), dtype=np.bool_)
    on_border[np.asarray(border.vertices)] = True
    corners = main.vertices[main.faces[on_border[main.faces].any(axis=1)]]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(across, axis=1)
    if not area.sum() > 0.0:
        return []
    normals = across / np.maximum(area, 1e-12)[:, None]
    _, directions = np.linalg.eigh((normals * area[:, None]).T @ normals)
    away = np.abs(normals @ directions[:, 0])

    def share(of: NDArray[np.bool_]) -> float:
        return float(area[of].sum() / area.sum())

    flat = np.abs(normals @ directions[:, 2]) > _FLAT
    level = main.vertices[np.asarray(border.vertices)] @ directions[:, 2]
    on_table = share(flat) >= _TABLE_SHARE and float(np.std(level)) < _TABLE_MM
    if not on_table and share(away < _STRAIGHT) >= _WALL_SHARE:
        return [
            Finding(
                "added_wall",
                STOP,
                "A straight wall runs around the scan, as software adds it to make a base. It is "
                "no gum, so captured gum cannot be judged. Upload the scan as the scanner took it.",
            )
        ]
    if not on_table or walled_share(main) < AROUND:
        return []
    return [
        Finding(
            "added_wall",
            STOP,
            "This looks like the scan of a plaster or printed model: a straight, tall wall runs "
            "around it, and the scan ends on the table that it stood on. The wall is no gum, so "
            "captured gum cannot be judged. Cut the scan off where the gum of the model ends and "
            "upload it again, or scan the mouth.",
        )
    ]


def side_findings(frame: Frame, limits: Limits) -> list[Finding]:
    """Upper or lower: a contradiction, or not clear."""
    if frame.contradicts:
        return [
            Finding(
                "arch_contradiction",
                CHECK,
                f"Stated as {frame.stated_arch}, but it looks like the "
                f"{frame.found_arch} arch ({frame.confidence:.0%} sure). Confirm which arch it is "
                "before going on.",
                round(frame.confidence, 3),
                limits.arch_confidence,
            )
        ]
    if frame.arch == "unknown" or (
        frame.stated_arch is None and frame.confidence < limits.arch_confidence
    ):
        return [
            Finding(
                "arch_unknown",
                CHECK,
                "The shape does not tell clearly whether this is the upper or the lower arch. "
                "State which one it is.",
                round(frame.confidence, 3),
                limits.arch_confidence,
            )
        ]
    return []


def size_of_arch_findings(frame: Frame, limits: Limits) -> list[Finding]:
    """Stop a part of an arch: too narrow or too short for one."""
    width, depth = frame.width_mm, frame.depth_mm
    if width >= limits.arch_least_width_mm and depth >= limits.arch_least_depth_mm:
        return []
    narrow = width < limits.arch_least_width_mm
    return [
        Finding(
            "few_teeth",
            STOP,
            f"Only part of an arch: {width:.0f} mm wide and {depth:.0f} mm deep. "
            "Scan on to the last tooth on both sides.",
            width if narrow else depth,
            limits.arch_least_width_mm if narrow else limits.arch_least_depth_mm,
            "mm",
        )
    ]


def tilt_findings(angle: float, limits: Limits) -> list[Finding]:
    """Note an arch that lies tilted in its file."""
    if angle <= limits.tilt_deg:
        return []
    return [
        Finding(
            "tilt",
            NOTE,
            f"The arch lies {angle:.0f}° tilted in the file; the model is levelled to the "
            "biting surfaces before cutting. Nothing to do at the chair.",
            angle,
            limits.tilt_deg,
            "°",
        )
    ]


def plane_findings(frame: Frame, limits: Limits) -> list[Finding]:
    """Check when the teeth seen hardly tell how the biting plane is tilted."""
    if frame.uneven > limits.plane_uneven_share:
        return [
            Finding(
                "plane_unsure",
                CHECK,
                "Teeth stand at two levels (half erupted, tipped or very uneven): "
                f"{frame.uneven:.0%} of the edges and cusps lie well off any one plane, so the "
                "biting plane may be tilted by 2 to 3°. Compare it with the mouth on the picture "
                "before the model is levelled by it.",
                round(frame.uneven, 3),
                limits.plane_uneven_share,
            )
        ]
    if frame.tilt_sd_deg <= limits.plane_sd_deg:
        return _plane_of_opinion(frame, limits)
    return [
        Finding(
            "plane_unsure",
            CHECK,
            "The teeth in the scan tell the biting plane of the arch only to about "
            f"{TILT_OFF_BY * frame.tilt_sd_deg:.0f}° (much of the row is not in the scan, or the "
            "teeth lie nearly in one line or at odds with each other); tilt, undercuts and the "
            "height of the gum depend on it. Scan on to the last tooth on both sides; where teeth "
            "are lost, compare the plane with the mouth on the picture.",
            round(frame.tilt_sd_deg, 2),
            limits.plane_sd_deg,
            "°",
        )
    ]


def _plane_of_opinion(frame: Frame, limits: Limits) -> list[Finding]:
    """Check when it hangs on a few teeth that stand out how the biting plane is tilted."""
    if frame.rival_tilt_deg * frame.uneven <= limits.plane_opinion_deg:
        return []
    return [
        Finding(
            "plane_unsure",
            CHECK,
            "Some teeth stand well above or below the others (tipped, half erupted or without a "
            "tooth to bite on), and the biting plane turns by about "
            f"{max(1.0, frame.rival_tilt_deg):.0f}° or more with or without them. Compare it with "
            "the mouth on the picture before the model is levelled by it.",
            round(frame.rival_tilt_deg, 2),
            None,
            "°",
        )
    ]


def front_findings(frame: Frame, dentition: Dentition, limits: Limits) -> list[Finding]:
    """Check when the teeth seen leave it doubtful which way the front of the arch is."""
    side = frame.shorter_side_mm
    short = side < limits.front_side_mm and not dentition.primary_row
    if not short and frame.anterior_certainty >= limits.front_certainty:
        return []
    along = frame.tip_places[:, 0]
    left = along.max() > -along.min()
    last = int(along.argmin() if left else along.argmax())
    if not frame.front_seen:
        where = "The middle of the front teeth does not show clearly in the scan"
        so = "which way is the front is little more than a guess and left and right are not named"
    elif short:
        on = f"On the {'left' if left else 'right'}" if frame.sides_known else "On one side"
        where = f"{on} the teeth are seen for {side:.0f} mm only, counted from the midline"
        so = "the direction of the front may be off by 5 to 15° and names of teeth by one tooth"
    else:
        where = "The row of teeth could be turned another way and fit nearly as well"
        so = "the direction of the front and the names of teeth may be wrong"
    return [
        Finding(
            "front_unsure",
            CHECK,
            f"{where}, so {so}. Scan on across the front teeth to the last tooth on both sides, "
            "or compare the picture with the mouth.",
            max(side, 0.0) if short else None,
            limits.front_side_mm if short else None,
            "mm" if short else None,
            at=spot(frame.tips[last]),
        )
    ]


def outside_findings(frame: Frame, dentition: Dentition, placer: Placer) -> list[Finding]:
    """Check teeth that stand out of the row: they are no part of what is counted and measured."""
    found = []
    places = _places_of_missing(dentition)
    close = [
        tip
        for tip in frame.beside
        if min(np.linalg.norm(_flat(frame, places - tip), axis=1), default=np.inf) < _BEFORE_MM
        and min(np.linalg.norm(frame.outside - tip, axis=1), default=np.inf) > _ONE_MM
    ]
    for tip in (*frame.outside, *close):
        place = placer(tip)
        found.append(
            Finding(
                "out_of_row",
                CHECK,
                f"A tooth stands out of the row, {place.words}. It is not counted with the others, "
                "its gum is not measured, and a space or missing tooth told there may be its "
                "place; the numbers of the teeth beside it may be off by one. Compare them with "
                "the mouth, and see that the gum around it is on the scan.",
                sextant=place.sextant,
                side=place.side,
                at=spot(tip),
            )
        )
    return found


def _places_of_missing(dentition: Dentition) -> NDArray[np.float64]:
    """Points (k, 3) midway between neighbours in the row whose numbers leave a tooth out."""
    if not dentition.teeth:
        return np.empty((0, 3))
    places = [
        0.5 * (one.centre + two.centre)
        for one, two in pairwise(dentition.teeth)
        if between(one.number, two.number)
    ]
    return np.array(places).reshape(-1, 3)


def _flat(frame: Frame, vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """The vectors (k, 3) without what lies along the occlusal axis."""
    return np.asarray(vectors - np.outer(vectors @ frame.occlusal, frame.occlusal))


def spee_findings(depths: dict[str, float | None], limits: Limits) -> list[Finding]:
    """Note a curve of Spee that will stretch the sheet unevenly."""
    deep = {side: depth for side, depth in depths.items() if depth is not None}
    deep = {side: depth for side, depth in deep.items() if depth > limits.spee_mm}
    return [
        Finding(
            "curve_of_spee",
            NOTE,
            f"Curve of Spee {depth:.1f} mm deep on the {side}: expect thinner plastic over the "
            "teeth that stand highest. Nothing to do at the chair.",
            depth,
            limits.spee_mm,
            "mm",
        )
        for side, depth in sorted(deep.items())
    ]

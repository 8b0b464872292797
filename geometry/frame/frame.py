"""The frame of a scanned arch: where its teeth bite, where its front is, which arch it is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geometry.axes import along_basis, own_axes
from geometry.dentition.row.rolled import Rolled, lower_over_upper, rolled
from geometry.errors import GeometryError
from geometry.frame.arch.crowns import crown_points
from geometry.frame.arch.outside import NARROW_MM, WIDE_MM, outside_row
from geometry.frame.arch.row_curve import RowCurve, fit_row_curve
from geometry.frame.arch.side import ArchSide, tell_side
from geometry.frame.arch.unroll import unroll
from geometry.frame.arch.vault import look_between
from geometry.frame.peaks.bent import Levels, level_planes
from geometry.frame.peaks.weighing import Seen, unbonded, weighed
from geometry.frame.plane import (
    FINE_CELL_MM,
    OcclusalPlane,
    find_plane,
    refit,
    turned_views,
)
from geometry.frame.relief import basis_of, relief_of
from geometry.frame.surface import take_surface
from geometry.frame.tissue.flaps import Flaps, find_flaps
from geometry.frame.unseen import unseen_tilt_deg
from geometry.mesh import Mesh

ARCHES = ("upper", "lower")
TILT_OFF_BY = 2.0
"""Nineteen of twenty planes of generated halves, quarters and fronts were off by less than so many
of the standard deviations told: people are told this much."""

FRONT_GUESSED = 0.075
"""Below this certainty the front found was another side of the scan."""

VIEWS = 8
"""Grids that the tips are looked for in; their planes are averaged."""

OWN_LEAST, BRACKETS = 0.5, 8
"""A peak that counts less than this for a part of a crown is bonded to one, or a lone tooth that
stands close before another; so many are brackets."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Anatomical axes of one arch in the coordinates of its file.

    ``right × anterior = superior``: the occlusal axis is −superior on an upper
    arch and +superior on a lower one, so which way the patient's right lies
    depends on the arch. When the arch is unknown the likelier one is assumed
    and ``arch`` says ``unknown``: do not show left or right then.

    Attributes
    ----------
    origin : (3,) float64
        On the occlusal plane at the front of the fitted arch form, mm.
    right, anterior, occlusal : (3,) float64
        Orthogonal unit vectors; occlusal points from the gums to the biting surfaces.
    arch : str
        ``upper``, ``lower`` or ``unknown``: what was stated, else what was found.
    confidence : float
        Probability that the arch found is right, 0.5 to 1 (of ``found_arch``).
    found_arch : str
        What the scan itself says: ``upper``, ``lower`` or ``unknown``.
    stated_arch : str or None
        What the caller said.
    upper_probability : float
        Probability, from the scan alone, that it is an upper arch.
    signs : dict
        Log-likelihood ratio (upper over lower) of each sign that was weighed.
    tips : (n, 3) float64
        Incisal edge and cusp tips that the plane was fitted to, file coordinates.
    tip_places : (n, 2) float64
        Where each tip lies along the row of teeth (mm from the midline, positive to
        the patient's right) and across it (positive towards lips and cheeks).
    tip_on_edge : (n,) bool
        True for places along an incisal edge, false for peaks such as cusps.
    spread_mm : float
        Root mean square distance of the tips from the plane.
    tilt_sd_deg : float
        Standard deviation of the plane's tilt against that of the whole arch, about the
        direction in which it is largest; above about 2.5 (a few teeth in one line, or a
        part of the row not in the scan) the plane is not known.
    unseen_tilt_deg : float
        What of ``tilt_sd_deg`` comes of the part of the row that is not in the scan.
    uneven : float
        Share of the edges and cusps, 0 to 1, that stand more than 1.6 mm off the plane; with
        more than a third of them teeth stand at two levels, and the plane lies between.
    rival_tilt_deg : float
        How far the plane turns when teeth that stand out from the row (tipped, half erupted)
        are left out more readily; above about 1.5 in an uneven row it is a matter of opinion.
    anterior_certainty : float
        0 to 1; low when other directions of the front fit nearly as well
        (a few teeth only).
    width_mm, depth_mm : float
        Size of the fitted arch form.
    flaps : Flaps or None
        Where soft tissue was scanned along beside the arch.
    outside : (k, 3) float64
        Tips of teeth that stand out of the row, file coordinates, mm.
    beside : (k, 3) float64
        As ``outside``, with those so near the row that only a tooth missing there tells them.
    """

    origin: NDArray[np.float64]
    right: NDArray[np.float64]
    anterior: NDArray[np.float64]
    occlusal: NDArray[np.float64]
    arch: str
    confidence: float
    found_arch: str
    stated_arch: str | None
    upper_probability: float
    signs: dict[str, float]
    tips: NDArray[np.float64]
    tip_places: NDArray[np.float64]
    tip_on_edge: NDArray[np.bool_]
    spread_mm: float
    tilt_sd_deg: float
    unseen_tilt_deg: float
    uneven: float
    rival_tilt_deg: float
    anterior_certainty: float
    width_mm: float
    depth_mm: float
    flaps: Flaps | None
    outside: NDArray[np.float64]
    beside: NDArray[np.float64]

    def of_whole_row(self) -> Frame:
        """Return the frame for a row known to end where the scan does, as a primary one may."""
        seen = np.sqrt(max(self.tilt_sd_deg**2 - self.unseen_tilt_deg**2, 0.0))
        return replace(self, tilt_sd_deg=float(seen), unseen_tilt_deg=0.0)

    @property
    def superior(self) -> NDArray[np.float64]:
        """Unit vector towards the patient's head."""
        return np.cross(self.right, self.anterior)

    @property
    def contradicts(self) -> bool:
        """True when the scan clearly says the other arch than the caller."""
        return (
            self.stated_arch is not None
            and self.found_arch != "unknown"
            and self.found_arch != self.stated_arch
        )

    @property
    def shorter_side_mm(self) -> float:
        """How far the row of teeth goes on from the midline on its shorter side, mm.

        The front is the axis of a symmetric arch form, so a short side leaves it
        doubtful; below 0 the midline itself is not in the scan.
        """
        return _shorter_side(self.tip_places)

    @property
    def front_seen(self) -> bool:
        """False when the scan does not show the midline, so that the front is a guess."""
        return self.shorter_side_mm >= 0.0 and self.anterior_certainty >= FRONT_GUESSED

    @property
    def sides_known(self) -> bool:
        """True when left and right may be named: the arch is known, and the midline is seen."""
        return self.arch != "unknown" and self.front_seen

    def to_frame(self) -> NDArray[np.float64]:
        """Return the 4 × 4 matrix from file coordinates to (right, anterior, occlusal).

        The patient's right is on the positive first axis. On an upper arch these
        axes are left-handed (right × anterior = −occlusal), so the matrix then
        mirrors: use it to measure, not to move a mesh.
        """
        rows = np.stack([self.right, self.anterior, self.occlusal])
        matrix = np.eye(4)
        matrix[:3, :3] = rows
        matrix[:3, 3] = -rows @ self.origin
        return matrix

    def to_local(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return points as (right, anterior, occlusal) distances from the origin, mm."""
        rows = np.stack([self.right, self.anterior, self.occlusal])
        return (np.asarray(points, dtype=np.float64) - self.origin) @ rows.T


def _shorter_side(places: NDArray[np.float64]) -> float:
    """How far tips at (along, across) the row go on from the midline on the shorter side, mm."""
    return float(min(places[:, 0].max(), -places[:, 0].min()))


def find_frame(mesh: Mesh, arch: str | None = None) -> Frame:
    """Find the anatomical axes of a scanned arch in any pose.

    Parameters
    ----------
    mesh : Mesh
        In mm; any pose, triangle order and winding; palate, holes, islands,
        a ragged border or a flat closed base are all right.
    arch : str, optional
        ``upper`` or ``lower`` when known. It fixes left and right; what the scan
        itself says stays in ``found_arch`` and ``contradicts``.

    Returns
    -------
    Frame

    Raises
    ------
    GeometryError
        When nothing like a row of teeth is found or the size is not a mouth's.
    """
    return find_frame_rolled(mesh, arch)[0]


def find_frame_rolled(mesh: Mesh, arch: str | None = None) -> tuple[Frame, Rolled | None]:
    """Find the frame as :func:`find_frame` does; return also the scan rolled out in it.

    Not every frame needs it: then there is None.
    """
    if arch is not None and arch not in ARCHES:
        raise GeometryError(f"arch {arch!r} is not known; say upper or lower")
    found = take_surface(mesh)
    own = own_axes(found.points)
    surface = replace(found, points=along_basis(found.points, own))
    plane = find_plane(surface)
    rotation = basis_of(plane.axis)
    relief, _ = relief_of(surface, rotation, FINE_CELL_MM)
    form = fit_row_curve(crown_points(relief, rotation, plane))
    seen = Seen(surface, relief, rotation, form, unroll(relief, plane.level, form))
    tips, places = seen.placed(plane.tips.points)
    local_tips = np.concatenate([form.to_arch(tips[:, :2]), tips[:, 2:] - plane.level], axis=1)
    vault = look_between(relief, plane.level, form)
    front = _shorter_side(places) >= 0.0 and form.certainty >= FRONT_GUESSED
    settled = refit(plane, np.empty((0, 3)), unbonded(seen, plane, plane.tips.points)).axis
    views = turned_views(surface, plane, VIEWS)
    unseen = unseen_tilt_deg(local_tips[:, :2], form)

    def framed(side: ArchSide) -> Frame:
        likely = _likely(side, arch)
        levels = level_planes(
            plane, [weighed(seen, view, likely) for view in views], form.front @ rotation[:2]
        )
        moved = float(np.degrees(np.arccos(np.clip(levels.every.axis @ settled, -1.0, 1.0))))
        # Tips and the rest of the biting surfaces at odds say as much as few tips do.
        tilt_sd = float(np.linalg.norm([levels.every.tilt_sd_deg, moved, unseen]))
        frame = _assemble(levels, tilt_sd, unseen, rotation, form, side, places, arch)
        return _in_file(frame, own, surface.centre)

    side = tell_side(seen.row, local_tips, vault, plane.tilt_sd_deg, front)
    frame, scan = framed(side), None
    if front and side.doubtful:
        closer, scan = _looked_closer(mesh, frame, side)
        if _likely(closer, arch) == _likely(side, arch):
            frame = _told(frame, closer, arch)
        else:
            frame, scan = framed(closer), None
    flaps = find_flaps(surface.centre, rotation @ own, form, seen.row, vault)
    at = (_outside(seen, plane, wide) @ own + surface.centre for wide in (WIDE_MM, NARROW_MM))
    outside, beside = at
    return replace(frame, flaps=flaps, outside=outside, beside=beside), scan


def _likely(side: ArchSide, stated: str | None) -> str:
    return stated or ("upper" if side.upper >= 0.5 else "lower")


def _looked_closer(mesh: Mesh, frame: Frame, side: ArchSide) -> tuple[ArchSide, Rolled | None]:
    """Weigh in which teeth explain the row better, as far as it can be rolled out."""
    try:
        scan = rolled(mesh, frame)
    except GeometryError:
        return side, None
    return side.with_row(lower_over_upper(scan)), scan


def _told(frame: Frame, side: ArchSide, stated: str | None) -> Frame:
    """The frame with what is now known of which arch it is."""
    return replace(
        frame,
        arch=stated or side.value,
        confidence=side.confidence,
        found_arch=side.value,
        upper_probability=side.upper,
        signs=side.signs,
    )


def _outside(seen: Seen, plane: OcclusalPlane, wide_mm: float) -> NDArray[np.float64]:
    """Tips (k, 3) of teeth that stand out of the row, surface coordinates."""
    points = np.concatenate([plane.tips.points, plane.rest.points])
    fall = np.concatenate([plane.tips.fall, plane.rest.fall])
    own = unbonded(seen, plane, points) > OWN_LEAST
    if (~own).sum() >= BRACKETS:
        points, fall = points[own], fall[own]
    local, places = seen.placed(points)
    height = local[:, 2] - plane.level
    return np.asarray(points[outside_row(seen.row, height, places, fall, wide_mm)])


def _in_file(frame: Frame, own: NDArray[np.float64], centre: NDArray[np.float64]) -> Frame:
    """Return a frame found in the surface's own axes in the coordinates of its file."""
    return replace(
        frame,
        origin=frame.origin @ own + centre,
        right=frame.right @ own,
        anterior=frame.anterior @ own,
        occlusal=frame.occlusal @ own,
        tips=frame.tips @ own + centre,
    )


def _assemble(
    levels: Levels,
    tilt_sd_deg: float,
    unseen_tilt_deg: float,
    rotation: NDArray[np.float64],
    form: RowCurve,
    side: ArchSide,
    places: NDArray[np.float64],
    stated: str | None,
) -> Frame:
    plane = levels.plane
    anterior = form.front @ rotation[:2]
    anterior -= (anterior @ plane.axis) * plane.axis
    anterior /= np.linalg.norm(anterior)
    superior = -plane.axis if _likely(side, stated) == "upper" else plane.axis
    right = np.cross(anterior, superior)
    # The row runs along (front.y, -front.x), which is the right or the left of the mouth.
    across = np.array([form.front[1], -form.front[0]]) @ rotation[:2]
    if across @ right < 0:
        places = places * np.array([-1.0, 1.0])
    apex = form.apex @ rotation[:2]
    apex += (plane.level - apex @ plane.axis) * plane.axis
    return Frame(
        origin=apex,
        right=right / np.linalg.norm(right),
        anterior=anterior,
        occlusal=plane.axis,
        arch=stated or side.value,
        confidence=side.confidence,
        found_arch=side.value,
        stated_arch=stated,
        upper_probability=side.upper,
        signs=side.signs,
        tips=plane.tips.points,
        tip_places=places,
        tip_on_edge=plane.tips.edge,
        spread_mm=plane.spread_mm,
        tilt_sd_deg=tilt_sd_deg,
        unseen_tilt_deg=unseen_tilt_deg,
        uneven=levels.every.uneven,
        rival_tilt_deg=levels.rival_deg,
        anterior_certainty=form.certainty,
        width_mm=form.width_mm,
        depth_mm=form.depth_mm,
        flaps=None,
        outside=np.empty((0, 3)),
        beside=np.empty((0, 3)),
    )

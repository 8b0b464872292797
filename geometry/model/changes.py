"""What of a scan is not printed as it is: mended places by name, and the deviation elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.base.borders import BORDER
from geometry.model.base.closing import LOOSE, SNAP
from geometry.model.bodies.solids import shared
from geometry.model.gumline import GumLine
from geometry.model.surface.distances import distance_to_surface
from geometry.model.surface.mending import BRIDGE, CROSSING, NEAR, TUNNEL, Spot, joined_spots
from geometry.model.undercuts.blockout import BlockOut, near_fill
from geometry.model.undercuts.regions import Places

Array = NDArray[np.float64]

FILL_FRINGE = 0.1
# A fill is shaped on a lattice and may stand so far proud of the scan along its edge.
FILL_OVER = 0.15
TOLD = 0.005
LISTED = 6
# Working models of single teeth: 0.25 mm (Biomimetics 2024;9(4):217). What a border may
# lose is common practice, no source.
LOOK_AT = 0.25
BORDER_OFF = 1.5
CROWN_MM, CROWN_OFF = 5.5, 2.0
"""No mend may take so much of a crown (what stands this near to the top): a molar can vanish in
a patch of noise that crosses itself."""
EDGE_MM, EDGE_LOST = 3.0, 5.0
"""An appliance ends within the first, mm, of the gum line. Where more than BORDER_OFF is lost there
along more than the second, mm, half a molar, it has nothing to be formed on. Common practice, no
source."""
NOTHING_BESIDE: dict[str, float | None] = {"gum_line_mm": None, "edge_lost_mm": 0.0}
CROWN_LOST = 0.5
"""More than this, mm, off a crown that the scan's border runs over is told: an appliance formed on
the model sits on it. Common practice, no source."""
REACHED = 0.25
"""Undercut no deeper, mm, is reached by a sheet where nothing was to be blocked out."""
OTHER = "other"
BAR, CODE, FILL_EDGE = "bar", "code", "block-out"
TOUCH = 0.05

WORDS = {
    TUNNEL: ("tunnel through the scan was closed", "tunnels through the scan were closed"),
    BRIDGE: ("bridge between surfaces was cut", "bridges between surfaces were cut"),
    CROSSING: (
        "place where the scan crosses itself was smoothed over",
        "places where the scan crosses itself were smoothed over",
    ),
    BORDER: (
        "stretch of the scan's border was trimmed where it folds",
        "stretches of the scan's border were trimmed where they fold",
    ),
    LOOSE: (
        "piece of the scan hangs on below the trim only and was left out",
        "pieces of the scan hang on below the trim only and were left out",
    ),
    BAR: ("bar covers part of the scan", "bars cover parts of the scan"),
    CODE: (
        "pad for the code covers part of the scan",
        "pads for the code cover parts of the scan",
    ),
    FILL_EDGE: (
        "strip of the scan beside an undercut lies under the edge of the block-out",
        "strips of the scan beside undercuts lie under the edge of the block-out",
    ),
    OTHER: ("place does not follow the scan", "places do not follow the scan"),
}


@dataclass(frozen=True, slots=True)
class Cover:
    """A box (3,) to (3,) of the model's coordinates that something added to it lies in."""

    what: str
    low: Array
    high: Array

    def over(self, points: Array) -> NDArray[np.bool_]:
        """Mark the points (n, 3) that lie in it."""
        inside = (points > self.low - TOUCH) & (points < self.high + TOUCH)
        return np.asarray(inside.all(axis=1))


def changes(
    scan: Array,
    trim: float,
    spots: list[Spot],
    covers: list[Cover],
    filling: BlockOut,
    solid: Mesh,
    places: Places,
    line: GumLine,
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Compare the vertices of a scan with the printed surface.

    Parameters
    ----------
    scan : (n, 3) float64
        Vertices of the scan in model axes.
    trim : float
        Nothing below it is looked at, nor what was moved into it.
    spots : list of Spot
        What was mended, model axes.
    covers : list of Cover
        What was added and may hide some of the scan.
    filling : BlockOut
        What lies as deep as it reaches is left out.
    solid : Mesh
        The model.
    places : Places
    line : GumLine

    Returns
    -------
    mended : list of dict
        Each place that was mended, largest first: what, at, size_mm, deviation_mm, name;
        crown_lost_mm, how far it is off a crown there, 0 where little; gum_line_mm, how near the
        gum line it lacks more than a border may, None where nothing; and edge_lost_mm, how much
        it lacks where an appliance ends.
    deviation : dict
        ``max`` and ``p99`` over the vertices outside those places, and ``mended_max`` over
        those in them, mm; ``mended_at`` names the place of the latter, empty without any.

    Raises
    ------
    GeometryError
        Part of a crown would be missing, or the gum that an appliance ends on.
    """
    points = scan[scan[:, 2] > trim + SNAP]
    moved = np.flatnonzero(~shared(points, solid.vertices))
    if filling.depth is not None and len(moved):
        deep = filling.shadow.depth_at(points[moved]) > max(filling.depth - FILL_FRINGE, 0.0)
        points = np.delete(points, moved[deep], axis=0)
        moved = np.flatnonzero(~shared(points, solid.vertices))
    away = distance_to_surface(points[moved], solid)
    on_crown = np.where(_crowns(points[moved], solid, places), away, 0.0)
    _refuse_lost_crowns(points[moved], on_crown, places)
    spots = joined_spots([spot for spot in spots if spot.at[2] + 0.5 * spot.size > trim])
    left = away > TOLD
    beside = _Beside.of(points[moved], away, on_crown, filling, covers, line)
    beside.refuse(line, places)
    listed = _covered(covers, points[moved], away, left)
    worst = np.zeros(len(spots))
    outside = np.ones(len(moved), dtype=bool)
    if spots and len(moved):
        gap = np.full(len(moved), np.inf)
        nearest = np.zeros(len(moved), dtype=np.int64)
        loose = points[moved]
        # One spot after the other: a table of all spots by all points can be very large.
        for number, spot in enumerate(spots):
            own = np.linalg.norm(loose - spot.at, axis=1) - (0.5 * spot.size + NEAR)
            closer = own < gap
            gap[closer], nearest[closer] = own[closer], number
        outside = gap > 0.0
        mine = ~outside & (left | (away <= TOLD))
        np.maximum.at(worst, nearest[mine], away[mine])
    listed += [(spot, float(value)) for spot, value in zip(spots, worst, strict=True)]
    left &= outside
    if filling.depth is not None and left.any():
        rows = np.flatnonzero(left)
        edge = rows[(away[rows] < FILL_OVER) & near_fill(filling, points[moved[rows]])]
        listed += _strays(FILL_EDGE, points[moved[edge]], away[edge])
        left[edge] = False
    listed += _strays(OTHER, points[moved[left]], away[left])
    # What is listed by place does not count elsewhere; what nobody can name does.
    named = (away > TOLD) & ~left
    quiet = outside & ~named
    distance = np.zeros(len(points) - int((~quiet).sum()))
    distance[: int(quiet.sum())] = away[quiet]
    mended: list[dict[str, Any]] = [
        {
            "what": spot.what,
            "at": [round(float(v), 2) for v in spot.at],
            "size_mm": round(spot.size, 2),
            "deviation_mm": round(value, 3),
            "name": places.name(spot.at),
            "crown_lost_mm": beside.off_crown(spot),
            **(beside.at(spot) if value > BORDER_OFF else NOTHING_BESIDE),
        }
        for spot, value in sorted(listed, key=lambda one: (-one[0].size, one[0].at.tolist()))
    ]
    worst_place = max(
        (place for place in mended if place["what"] not in (BAR, CODE)),
        key=lambda place: place["deviation_mm"],
        default=None,
    )
    deviation = {
        "max": round(float(distance.max(initial=0.0)), 6),
        "p99": round(float(np.percentile(distance, 99)), 6) if len(distance) else 0.0,
        "mended_max": worst_place["deviation_mm"] if worst_place else 0.0,
        "mended_at": worst_place["name"] if worst_place else "",
    }
    return mended, deviation


def _crowns(points: Array, solid: Mesh, places: Places) -> NDArray[np.bool_]:
    """Mark the points (n, 3) of a scan that lie on a crown."""
    crown = points[:, 2] > solid.vertices[:, 2].max() - CROWN_MM
    crown[crown] = places.at_teeth(points[crown])
    return np.asarray(crown)


def _refuse_lost_crowns(points: Array, lost: Array, places: Places) -> None:
    """Refuse a model that lacks so much (n,), mm, of a crown, or of part of one, at points."""
    if lost.max(initial=0.0) <= CROWN_OFF:
        return
    worst = int(lost.argmax())
    raise GeometryError(
        f"the scan is too rough or torn {places.name(points[worst])} to be closed: mending it "
        f"would take {lost[worst]:.1f} mm off a crown; rescan there"
    )


@dataclass(frozen=True, slots=True)
class _Beside:
    """What a model lacks by more than a border may, and how near the gum line that was."""

    points: Array
    away: Array
    line_mm: Array
    on_crown: tuple[Array, Array]
    """Points (j, 3) of crowns, and how far off (j,) the model is there where that is told."""

    @classmethod
    def of(
        cls,
        points: Array,
        away: Array,
        on_crown: Array,
        filling: BlockOut,
        covers: list[Cover],
        line: GumLine,
    ) -> _Beside:
        """Pick of points (k, 3) those off by more than a border may be that a sheet reaches."""
        crown = on_crown > CROWN_LOST
        far = np.flatnonzero(away > BORDER_OFF)
        for cover in covers:
            far = far[~cover.over(points[far])]
        # A wall that stands before an undercut blocks it out.
        far = far[filling.shadow.depth_at(points[far]) <= REACHED]
        crowns = points[crown], on_crown[crown]
        return cls(points[far], away[far], line.away(points[far]), crowns)

    def off_crown(self, spot: Spot) -> float:
        """Return how far off a crown the model is at a place, mm; 0 where that is not told."""
        points, off = self.on_crown
        own = np.linalg.norm(points - spot.at, axis=1) < 0.5 * spot.size + NEAR
        return round(float(off[own].max(initial=0.0)), 2)

    def at(self, spot: Spot) -> dict[str, float | None]:
        """Return how near the gum line something is lost at a place, and how much there, mm."""
        own = np.linalg.norm(self.points - spot.at, axis=1) < 0.5 * spot.size + NEAR
        nearest = float(self.line_mm[own].min(initial=np.inf))
        lost = float(self.away[own & (self.line_mm < EDGE_MM)].max(initial=0.0))
        return {
            "gum_line_mm": round(nearest, 2) if np.isfinite(nearest) else None,
            "edge_lost_mm": round(lost, 2),
        }

    def refuse(self, line: GumLine, places: Places) -> None:
        """Refuse a model without the gum that an appliance ends on."""
        near = self.line_mm < EDGE_MM
        length = line.stretch(self.points[near])
        if length < EDGE_LOST:
            return
        worst = np.flatnonzero(near)[self.away[near].argmax()]
        raise GeometryError(
            f"the scan's border is too ragged or folded {places.name(self.points[worst])}: the"
            f" model would lack up to {self.away[worst]:.1f} mm of gum along {length:.0f} mm of"
            " the gum line, where the appliance is to end; rescan there, or cut the border back"
            " to a smooth line"
        )


def _covered(
    covers: list[Cover], points: Array, away: Array, left: NDArray[np.bool_]
) -> list[tuple[Spot, float]]:
    """List what lies in the boxes of ``covers``; it is no longer ``left``."""
    out: list[tuple[Spot, float]] = []
    for cover in covers:
        mine = left & cover.over(points)
        out += _strays(cover.what, points[mine], away[mine])
        left[mine] = False
    return out


def _strays(what: str, points: Array, away: Array) -> list[tuple[Spot, float]]:
    """Join points (k, 3) that are off to places, each with how far its worst is off."""
    if not len(points):
        return []
    tree = cKDTree(points)
    out = []
    for spot in joined_spots([Spot(what, point, NEAR) for point in points]):
        mine = tree.query_ball_point(spot.at, 0.5 * spot.size + NEAR)
        out.append((spot, float(away[mine].max(initial=0.0))))
    return out


def repairs(mended: list[dict[str, Any]]) -> list[str]:
    """Say what was mended and where, one line for each sort of place."""
    out = []
    for what, (one, many) in WORDS.items():
        mine = [place for place in mended if place["what"] == what]
        if not mine:
            continue
        words = []
        for place in mine[:LISTED]:
            off = place["deviation_mm"]
            off_words = f" (up to {off:.2f} mm off)" if off > TOLD else ""
            words.append(f"{place['size_mm']:.1f} mm {place['name']}{off_words}")
        more = f", and {len(mine) - LISTED} smaller" if len(mine) > LISTED else ""
        count = "a" if len(mine) == 1 else str(len(mine))
        out.append(f"{count} {one if len(mine) == 1 else many}: {'; '.join(words)}{more}")
    return out


def far_off(mended: list[dict[str, Any]], trim: float) -> list[str]:
    """Say where a person has to compare a model, cut at a height, with the scan."""
    keeps = "a lower cut" if trim > 0.0 else "a taller model"
    out = []
    patches = [place for place in mended if place["what"] not in (BORDER, LOOSE, BAR, CODE)]
    borders = [place for place in mended if place["what"] == BORDER]
    loose = [place for place in mended if place["what"] == LOOSE]
    for places, limit, words in (
        (patches, LOOK_AT, "compare the mended place with the scan before printing, or rescan it"),
        (borders, BORDER_OFF, "the border was trimmed there"),
        (loose, BORDER_OFF, f"what hangs on below the trim only was left out; {keeps} keeps it"),
    ):
        worst = max(places, key=lambda place: place["deviation_mm"], default=None)
        if worst is not None and worst["deviation_mm"] > limit:
            beyond = _beyond(worst["gum_line_mm"]) if places is borders else ""
            out.append(
                f"the model is {worst['deviation_mm']:.1f} mm off the scan {worst['name']}; "
                f"{words}{beyond}"
            )
    crowns = [place for place in borders if place["crown_lost_mm"] > CROWN_LOST]
    if crowns:
        names = list(dict.fromkeys(place["name"] for place in crowns))[:LISTED]
        most = max(place["crown_lost_mm"] for place in crowns)
        out.append(
            f"the scan ends on a crown {'; '.join(names)}, and the model is up to {most:.1f} mm off"
            " it there: an appliance would not sit on that tooth; rescan past it, or end the"
            " appliance before it"
        )
    edges = sorted(
        (place for place in borders + loose if place["edge_lost_mm"] > 0.0),
        key=lambda place: -place["edge_lost_mm"],
    )
    if edges:
        names = list(dict.fromkeys(place["name"] for place in edges))[:LISTED]
        out.append(
            f"up to {edges[0]['edge_lost_mm']:.1f} mm of gum is missing within {EDGE_MM:.0f} mm of"
            f" the gum line {'; '.join(names)}: an appliance that is to end on it there has nothing"
            " to be formed on; rescan there, or end it nearer the teeth"
        )
    return out


def _beyond(line_mm: float | None) -> str:
    """Say where a loss that begins so far from the gum line lies."""
    if line_mm is None:
        return ": see that no plastic is to reach it"
    if line_mm < EDGE_MM:
        return ""
    return (
        f", from {line_mm:.1f} mm beside the gum line on: see that no plastic is to reach that far"
    )


def loops_left(count: int) -> list[str]:
    """Say that tunnels or rings are left in a model, which else has none."""
    if not count:
        return []
    what = "a tunnel or ring" if count == 1 else f"{count} tunnels or rings"
    return [f"{what} in the model could not be closed; look at the model before printing it"]

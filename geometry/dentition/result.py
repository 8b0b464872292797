"""What is known about the teeth and gingiva of one scan."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

SIDES = ("facial", "lingual")
SHORT_ODDS = 0.3
"""A place counts as short from this probability on: missing one costs more than a rescan."""
SEEN_LEAST = 0.3
"""Where the margin shows at a smaller share of the places, none of it is to be trusted."""


@dataclass(frozen=True, slots=True)
class TissuePlace:
    """Margin and captured tissue on one side of one tooth.

    Attributes
    ----------
    margin : (k, 3) float64
        Gingival margin from mesial to distal or back, file coordinates; only where it
        lies on the scan, so empty when it was not scanned.
    margin_seen : bool
        Whether a margin was seen at the tooth's middle; else it is only expected.
    captured_mm : float
        Height along the occlusal axis from the margin to the scan's border at the tooth's
        middle, 0 when the border lies on the crown.
    low_mm, high_mm : float
        The captured height lies between them with a probability of about 80 %.
    p_short : float
        Probability that less than the short limit was captured.
    status : str
        ``measured`` or ``uncertain``.
    at, border : (3,) float64
        Margin (or its expected place) and border at the tooth's middle, file coordinates.
    goes_on : bool
        Whether the scan goes on for more than 11 mm beside the tooth without a border, as
        across a palate: then the lowest surface within that reach stands for the border.
    """

    margin: Array
    margin_seen: bool
    captured_mm: float
    low_mm: float
    high_mm: float
    p_short: float
    status: str
    at: Array
    border: Array
    goes_on: bool = False


@dataclass(frozen=True, slots=True)
class Tooth:
    """One crown.

    Attributes
    ----------
    number : int
        ISO 3950: told from width, breadth and place in the row.
    number_sure : bool
        False where another number explains the row nearly as well, as where a tooth was
        extracted and the space closed.
    sextant : str
        ISO 3950, 03–08.
    centre : (3,) float64
        Middle of the crown at its biting surface, file coordinates.
    width_mm : float
        Between its ends along the arch.
    crown_length_mm : float
        From the highest edge or cusp to the facial margin.
    facial, lingual : TissuePlace
    """

    number: int
    number_sure: bool
    sextant: str
    centre: Array
    width_mm: float
    crown_length_mm: float
    facial: TissuePlace
    lingual: TissuePlace

    def side(self, name: str) -> TissuePlace:
        """``facial`` or ``lingual``."""
        return self.facial if name == "facial" else self.lingual


SHORT_CROWNS = 0.63
"""Crowns worn or half come through read as .65 of the average and more on 150 generated mouths;
shorter ones had their gum line read on the crown."""


SECOND_PRIMARY_MOLARS = (55, 65, 75, 85)
FIVE_CUSPS, DISTAL_CUSP = (36, 46, 75, 85), 0.22
"""Lower molars with a distal cusp; it stands so far behind the middle, as a share of the width, and
the distobuccal one before that (Nelson, Wheeler's Dental Anatomy, chapter 12, from memory)."""


def margin_shows(teeth: tuple[Tooth, ...]) -> bool:
    """Whether the margin was seen at enough of the places to follow it between them."""
    seen = [tooth.side(side).margin_seen for tooth in teeth for side in SIDES]
    return bool(seen) and sum(seen) >= SEEN_LEAST * len(seen)


@dataclass(frozen=True, slots=True)
class Gap:
    """No contact between two neighbouring crowns.

    Attributes
    ----------
    kind : str
        ``missing`` when a tooth of the row belongs there, else ``space``.
    width_mm : float
        Between the crowns where they are widest.
    centre : (3,) float64
    between : (int, int)
        ISO 3950 numbers of the neighbours, from the patient's right to the left.
    missing : tuple of int
        Numbers of the teeth that belong there, tentative.
    sextant : str
    """

    kind: str
    width_mm: float
    centre: Array
    between: tuple[int, int]
    missing: tuple[int, ...]
    sextant: str


@dataclass(frozen=True, slots=True)
class Embrasure:
    """An open gingival embrasure: no papilla between two crowns that touch.

    Attributes
    ----------
    height_mm : float
        Height of the opening between contact and tissue.
    centre : (3,) float64
    between : (int, int)
    sextant : str
    """

    height_mm: float
    centre: Array
    between: tuple[int, int]
    sextant: str


@dataclass(frozen=True, slots=True)
class CutEnd:
    """An end of the row of teeth at which the scan ends on a crown.

    Attributes
    ----------
    number : int
        ISO 3950 number of the last tooth found there.
    behind : bool
        True when the crown is another one, behind that tooth.
    over_gum_mm : float
        How far over the gum line the scan ends.
    at : (3,) float64
        File coordinates.
    """

    number: int
    behind: bool
    over_gum_mm: float
    at: Array


@dataclass(frozen=True, slots=True)
class Wire:
    """A wire bonded behind front teeth.

    Attributes
    ----------
    between : (int, int)
        ISO 3950 numbers of the first and the last tooth that it joins, from the patient's right.
    sextant : str
    at : (3,) float64
        In its middle, file coordinates.
    """

    between: tuple[int, int]
    sextant: str
    at: Array


@dataclass(frozen=True, slots=True)
class Dentition:
    """Teeth, gingival margin, captured tissue, gaps and open embrasures of one arch.

    Attributes
    ----------
    arch : str
        ``upper`` or ``lower`` as used for the numbers.
    teeth : tuple of Tooth
        From the patient's right to the left.
    gaps : tuple of Gap
    embrasures : tuple of Embrasure
    cut_ends : tuple of CutEnd
    wire : Wire or None
        Where one is bonded behind the front teeth.
    attached : tuple of int
        Numbers of the teeth that something is bonded to on the facial side.
    status : str
        ``measured``, or ``uncertain`` when a person should look before trusting it. A
        doubtful place that is listed as short does not make the whole uncertain.
    reason : str
        Why it is uncertain; empty otherwise.
    short_limit_mm : float
        Captured tissue below this counts as short.
    crown_ratio : float
        Length of the crowns against the average of such teeth, as most of them read.
    """

    arch: str
    teeth: tuple[Tooth, ...] = ()
    gaps: tuple[Gap, ...] = ()
    embrasures: tuple[Embrasure, ...] = ()
    cut_ends: tuple[CutEnd, ...] = ()
    status: str = "uncertain"
    reason: str = ""
    short_limit_mm: float = 3.0
    timings_ms: dict[str, float] = field(default_factory=dict)
    wire: Wire | None = None
    attached: tuple[int, ...] = ()
    crown_ratio: float = 1.0

    @property
    def margin_lost(self) -> bool:
        """Whether the margin was not seen at most of the places."""
        return not margin_shows(self.teeth)

    @property
    def margin_high(self) -> bool:
        """Whether crowns read as short as hardly any are: a fold above the margin was followed."""
        return self.crown_ratio < SHORT_CROWNS

    @property
    def primary_row(self) -> bool:
        """Whether the row ends with the second primary molars on both sides.

        Half of such a row is some 33 mm long, and wholly in the scan.
        """
        ends = [tooth.number for tooth in (*self.teeth[:1], *self.teeth[-1:])]
        return len(self.teeth) > 1 and all(number in SECOND_PRIMARY_MOLARS for number in ends)

    def behind_last(self, points: Array) -> NDArray[np.bool_]:
        """Which of some points (n, 3), file coordinates, lie behind the last teeth of the row.

        No cusp of theirs does: it stands within the crown's length.
        """
        behind = np.zeros(len(points), dtype=np.bool_)
        last = len(self.teeth) - 1
        if last < 1 or not len(points):
            return behind
        centres = np.stack([tooth.centre for tooth in self.teeth])
        _, nearest = cKDTree(centres).query(points)
        for k, inner in ((0, 1), (last, last - 1)):
            along = centres[k] - centres[inner]
            over = (points - centres[k]) @ along / np.linalg.norm(along)
            behind |= (nearest == k) & (over > 0.5 * self.teeth[k].width_mm)
        return behind

    def distal_cusps(self, points: Array) -> NDArray[np.bool_]:
        """Which of some points (n, 3), file coordinates, are the fifth cusp of a lower molar.

        The small distal cusp of the lower first molar, and of the lower second primary one,
        stands on the last part of the crown; its two buccal cusps stand before it.
        """
        fifth = np.zeros(len(points), dtype=np.bool_)
        if len(self.teeth) < 2 or not len(points):
            return fifth
        centres = np.stack([tooth.centre for tooth in self.teeth])
        _, nearest = cKDTree(centres).query(points)
        for k, tooth in enumerate(self.teeth):
            if tooth.number not in FIVE_CUSPS:
                continue
            forward = k - 1 if tooth.number in (36, 75) else k + 1
            if not 0 <= forward < len(self.teeth):
                continue
            back = centres[k] - centres[forward]
            over = (points - centres[k]) @ back / np.linalg.norm(back)
            fifth |= (nearest == k) & (over > DISTAL_CUSP * tooth.width_mm)
        return fifth

    def captured_by_sextant(self) -> dict[str, dict[str, float]]:
        """Smallest captured height of each sextant and side, mm."""
        out: dict[str, dict[str, float]] = {}
        for tooth in self.teeth:
            here = out.setdefault(tooth.sextant, {})
            for side in SIDES:
                value = tooth.side(side).captured_mm
                here[side] = min(value, here.get(side, value))
        return dict(sorted(out.items()))

    def short_places(self) -> list[tuple[str, str]]:
        """Sextants and sides where some tooth has, or may well have, less than the limit."""
        return sorted(
            {
                (tooth.sextant, side)
                for tooth in self.teeth
                for side in SIDES
                if tooth.side(side).p_short >= SHORT_ODDS
            }
        )

    def uncertain_places(self) -> list[tuple[str, str]]:
        """Sextants and sides where whether tissue is short could not be told.

        Where some tooth surely has too little, it could, whatever is doubtful beside it.
        """
        doubtful, short = set(), set()
        for tooth in self.teeth:
            for side in SIDES:
                place = tooth.side(side)
                if place.status == "uncertain":
                    doubtful.add((tooth.sextant, side))
                elif place.captured_mm < self.short_limit_mm:
                    short.add((tooth.sextant, side))
        return sorted(doubtful - short)

    def margin_lines(self) -> list[Array]:
        """The scanned margins as polylines for a picture, file coordinates."""
        lines = [tooth.side(side).margin for tooth in self.teeth for side in SIDES]
        return [line for line in lines if len(line) > 1]

    def tissue_report(self, *, named: bool = True) -> dict[str, Any]:
        """The ``tissue`` part of an inspection report.

        Parameters
        ----------
        named : bool
            Whether left and right are known; else no sextant is named.
        """
        values = [tooth.side(side).captured_mm for tooth in self.teeth for side in SIDES]
        captured = None
        if values:
            captured = {"min": round(min(values), 2), "median": round(float(np.median(values)), 2)}
        by_sextant = self.captured_by_sextant() if named else {}
        return {
            "status": self.status,
            "reason": self.reason,
            "captured_mm": captured,
            "by_sextant": {
                sextant: {side: round(value, 2) for side, value in sides.items()}
                for sextant, sides in by_sextant.items()
            },
            "short": _told(self.short_places(), named),
            "uncertain": _told(self.uncertain_places(), named),
        }

    def teeth_report(self, *, named: bool = True) -> dict[str, Any]:
        """The ``teeth`` part of an inspection report.

        Parameters
        ----------
        named : bool
            Whether left and right are known; else no tooth and no sextant is named.
        """
        present = [tooth.number for tooth in self.teeth]
        return {
            "count": len(present),
            "present": present if named else [],
            "unsure": [t.number for t in self.teeth if not t.number_sure] if named else [],
            "gaps": [
                {
                    "sextant": gap.sextant if named else None,
                    "centre": [round(float(v), 2) for v in gap.centre],
                    "width_mm": round(gap.width_mm, 2),
                    "kind": gap.kind,
                    "between": list(gap.between) if named else None,
                    "missing": list(gap.missing) if named else [],
                }
                for gap in self.gaps
            ],
            "open_embrasures": [
                {
                    "sextant": place.sextant if named else None,
                    "centre": [round(float(v), 2) for v in place.centre],
                    "height_mm": round(place.height_mm, 2),
                    "between": list(place.between) if named else None,
                }
                for place in self.embrasures
            ],
        }


def _told(places: list[tuple[str, str]], named: bool) -> list[list[str | None]]:
    """Sextants and sides for a report; sides alone, each once, when sextants are not known."""
    if named:
        return [list(place) for place in places]
    return [[None, side] for side in SIDES if any(own == side for _, own in places)]

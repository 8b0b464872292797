"""Findings about teeth, gum line and captured gum."""

from __future__ import annotations

import numpy as np

from geometry.dentition import Dentition, TissuePlace, Tooth
from geometry.dentition.result import SHORT_CROWNS, Wire
from geometry.inspection.findings.finding import (
    CHECK,
    NOTE,
    STAYS_OR_COMES_OFF,
    STOP,
    Finding,
    rounded_down,
    spot,
)
from geometry.inspection.limits import Limits
from geometry.inspection.place import sextant_of, sextant_words, side_words, tooth_words

SIDES = ("facial", "lingual")
_BARE_SHARE = 0.5
# A wider range than this is told as one, even where the gum line shows.
_PLAIN_MM = 3.0
_NAMED = 4
_UNSURE = "(or its neighbour: the number is not certain)"


def tooth_findings(dentition: Dentition, limits: Limits) -> list[Finding]:
    """Stop when there are too few teeth for an arch."""
    count = len(dentition.teeth)
    if count >= limits.teeth_least:
        return []
    return [
        Finding(
            "few_teeth",
            STOP,
            f"{count or 'No'} teeth recognised, an appliance needs at least "
            f"{limits.teeth_least:.0f}. Scan on to the last tooth on both sides.",
            float(count),
            float(limits.teeth_least),
            "teeth",
        )
    ]


def end_findings(dentition: Dentition, known_side: bool) -> list[Finding]:
    """Ask for more scan where it ends on a crown."""
    found = []
    for end in dentition.cut_ends:
        tooth = tooth_words(end.number) if known_side else "last tooth, where the picture shows it"
        where = f"a crown behind the {tooth}" if end.behind else f"the crown of the {tooth}"
        found.append(
            Finding(
                "cut_tooth",
                CHECK,
                f"The scan ends on {where}, {end.over_gum_mm:.1f} mm above its gum line. Scan 3–5 "
                "mm past that tooth if the appliance is to cover it.",
                end.over_gum_mm,
                None,
                "mm",
                sextant_of(end.number) if known_side else None,
                None,
                spot(end.at),
            )
        )
    return found


def tissue_findings(dentition: Dentition, known_side: bool, limits: Limits) -> list[Finding]:
    """Judge the captured gum: each sextant and side that falls short, and each side with little.

    Parameters
    ----------
    dentition : Dentition
    known_side : bool
        Whether upper or lower is known, so that left and right may be named.
    limits : Limits
    """
    if not dentition.teeth:
        return [_no_margin(dentition.reason)]
    bare = [
        tooth.side(side).captured_mm < limits.tissue_least_mm / 2.0
        for tooth in dentition.teeth
        for side in SIDES
    ]
    found = []
    if np.mean(bare) > _BARE_SHARE:
        found.append(
            Finding(
                "no_tissue",
                STOP,
                f"Hardly any gum was captured: on {np.mean(bare):.0%} of the teeth's sides the "
                f"scan ends at the tooth. Rescan with {limits.tissue_mm:.0f} mm of gum, inside and "
                "outside.",
                0.0,
                limits.tissue_mm,
                "mm",
            )
        )
    groups: dict[tuple[str, str], list[Tooth]] = {}
    for tooth in dentition.teeth:
        for side in SIDES:
            groups.setdefault((tooth.sextant, side), []).append(tooth)
    little: dict[str, list[Tooth]] = {}
    for (sextant, side), teeth in groups.items():
        grave = _group_findings(sextant, side, teeth, known_side, limits)
        worst = None if grave else _little(teeth, side, limits)
        if worst is not None:
            little.setdefault(side, []).append(worst)
        found += grave
    for side, teeth in little.items():
        found.append(_little_finding(side, teeth, known_side, limits))
    # Doubtful places are told one by one, an arch that is not known by its own finding.
    if dentition.margin_lost:
        found.append(_lost())
    elif dentition.margin_high:
        found.append(_high(dentition.crown_ratio))
    return found


def _group_findings(
    sextant: str, side: str, teeth: list[Tooth], known_side: bool, limits: Limits
) -> list[Finding]:
    """Return what is grave or doubtful about one sextant and side."""
    sure = [
        tooth
        for tooth in teeth
        if tooth.side(side).status == "measured"
        and tooth.side(side).captured_mm < limits.tissue_least_mm
    ]
    if sure:
        worst = min(sure, key=lambda tooth: tooth.side(side).captured_mm)
        place = worst.side(side)
        where = _where(worst, sextant, side, known_side)
        told = rounded_down(place.captured_mm)
        amount = f"{told:.1f} mm of gum" if told > 0.0 else "No gum at all"
        also = _also(teeth, worst, side, limits.tissue_least_mm)
        return [
            Finding(
                "short_tissue",
                STOP,
                f"{amount} captured, {where}{also}; {limits.tissue_mm:.0f} mm wanted. "
                "Dry, hold the cheek or tongue away and rescan 2–3 s.",
                place.captured_mm,
                limits.tissue_least_mm,
                "mm",
                sextant if known_side else None,
                side,
                spot(place.at),
            )
        ]
    doubtful = [tooth for tooth in teeth if tooth.side(side).status == "uncertain"]
    if doubtful:
        first = min(doubtful, key=lambda tooth: tooth.side(side).low_mm)
        low = first.side(side)
        return [
            Finding(
                "margin_uncertain",
                CHECK,
                f"Gum line not certain, {_where(first, sextant, side, known_side)}: between "
                f"{max(low.low_mm, 0.0):.1f} and {low.high_mm:.1f} mm of gum, and "
                f"{limits.tissue_least_mm:.0f} mm are the least. Compare the line on the picture "
                "with the mouth, and correct it or rescan.",
                low.captured_mm,
                limits.tissue_least_mm,
                "mm",
                sextant if known_side else None,
                side,
                spot(low.at),
            )
        ]
    return []


def _little(teeth: list[Tooth], side: str, limits: Limits) -> Tooth | None:
    """Return the tooth of a sextant with the least gum, where that is less than wanted."""
    # A vault is no deeper than it is: where the scan goes on there is nothing to rescan.
    ending = [tooth for tooth in teeth if not tooth.side(side).goes_on]
    worst = min(ending, key=lambda tooth: tooth.side(side).captured_mm, default=None)
    if worst is None or worst.side(side).captured_mm >= limits.tissue_mm:
        return None
    return worst


def _little_finding(side: str, teeth: list[Tooth], known_side: bool, limits: Limits) -> Finding:
    """Tell little gum along one side once: the least of it, and where else."""
    worst, *others = sorted(teeth, key=lambda tooth: tooth.side(side).captured_mm)
    place = worst.side(side)
    also = ""
    if others and known_side:
        parts = " and ".join(sextant_words(tooth.sextant) for tooth in others)
        also = f", the least of this side; little also at the {parts}"
    elif others:
        also = f", and {len(others)} more {'part' if len(others) == 1 else 'parts'} of this side"
    return Finding(
        "short_tissue",
        CHECK,
        f"{_amount(place)} captured, {_where(worst, worst.sextant, side, known_side)}{also}; "
        f"{limits.tissue_mm:.0f} mm wanted. Rescan there if the appliance needs it.",
        place.captured_mm,
        limits.tissue_mm,
        "mm",
        worst.sextant if known_side else None,
        side,
        spot(place.at),
    )


def _amount(place: TissuePlace) -> str:
    """How much gum was captured; from where to where it may be if the gum line is not plain."""
    if place.margin_seen and place.high_mm - place.low_mm <= _PLAIN_MM:
        return f"{rounded_down(place.captured_mm):.1f} mm of gum"
    least, most = rounded_down(place.low_mm), rounded_down(place.high_mm)
    return f"{least:.1f} to {most:.1f} mm of gum (the gum line is faint)"


def _where(tooth: Tooth, sextant: str, side: str, known_side: bool) -> str:
    if not known_side:
        return "where the picture shows it"
    unsure = "" if tooth.number_sure else f" {_UNSURE}"
    return f"{tooth_words(tooth.number)}{unsure}, {side_words(sextant, side)}"


def _also(teeth: list[Tooth], worst: Tooth, side: str, limit: float) -> str:
    others = sum(t is not worst and t.side(side).captured_mm < limit for t in teeth)
    if not others:
        return ""
    return f" and {others} more {'tooth' if others == 1 else 'teeth'} there"


def _no_margin(reason: str) -> Finding:
    return Finding(
        "margin_uncertain",
        CHECK,
        f"The gum line could not be followed ({reason or 'no teeth found'}), so the captured gum "
        "is not measured. Compare the picture with the mouth.",
    )


def _lost() -> Finding:
    return Finding(
        "margin_uncertain",
        CHECK,
        "The gum line does not show on most teeth, so the gum told may be wrong. Compare the "
        "line on the picture with the mouth; confirm it or correct it.",
    )


def _high(crown_ratio: float) -> Finding:
    return Finding(
        "margin_uncertain",
        CHECK,
        f"The gum line as it was read leaves the crowns {crown_ratio:.0%} of their usual length: "
        "it may lie too high, and less gum be captured than is told. Compare the line on the "
        "picture with the mouth; confirm it or correct it.",
        crown_ratio,
        SHORT_CROWNS,
    )


def gap_findings(dentition: Dentition, known_side: bool, limits: Limits) -> list[Finding]:
    """Tell of spaces, missing teeth, open embrasures and a bonded wire: plastic runs into them."""
    found = [] if dentition.wire is None else [_wire_finding(dentition.wire, known_side)]
    unsure = {tooth.number for tooth in dentition.teeth if not tooth.number_sure}
    for gap in dentition.gaps:
        if gap.width_mm < limits.gap_note_mm:
            continue
        between = _between(gap.between, gap.sextant, known_side, unsure)
        what = "Missing tooth" if gap.kind == "missing" else "Space"
        found.append(
            Finding(
                "gap",
                NOTE,
                f"{what}, {gap.width_mm:.1f} mm wide, {between}. Plan block-out there; nothing to "
                "do at the chair.",
                gap.width_mm,
                limits.gap_note_mm,
                "mm",
                gap.sextant if known_side else None,
                None,
                spot(gap.centre),
            )
        )
    for opening in dentition.embrasures:
        between = _between(opening.between, opening.sextant, known_side, unsure)
        found.append(
            Finding(
                "open_embrasure",
                NOTE,
                f"Open space {opening.height_mm:.1f} mm high under the contact {between}: plastic "
                "locks there. Plan block-out; nothing to do at the chair.",
                opening.height_mm,
                None,
                "mm",
                opening.sextant if known_side else None,
                None,
                spot(opening.centre),
            )
        )
    return found


def _wire_finding(wire: Wire, known_side: bool) -> Finding:
    first, last = (tooth_words(number) for number in wire.between)
    where = f" from {first} to {last}" if known_side else ""
    return Finding(
        "bonded_parts",
        CHECK,
        f"A wire seems bonded behind the front teeth{where}. Say on the order whether the "
        "appliance goes over it: plastic locks under it. If it is to come off first, scan again "
        "then.",
        None,
        None,
        None,
        wire.sextant if known_side else None,
        "lingual",
        spot(wire.at),
    )


def attached_findings(dentition: Dentition, known_side: bool) -> list[Finding]:
    """Tell of what is bonded to the outer side of the teeth, as the gum line is read past it."""
    on = [tooth for tooth in dentition.teeth if tooth.number in dentition.attached]
    if not on:
        return []
    names = ", ".join(tooth_words(tooth.number) for tooth in on[:_NAMED]) if known_side else ""
    more = f" and {len(on) - _NAMED} more" if known_side and len(on) > _NAMED else ""
    words = (
        f"Something seems bonded to the outer side of {len(on)} teeth"
        f"{': ' if names else ''}{names}{more}. {STAYS_OR_COMES_OFF}"
    )
    first = on[0]
    return [
        Finding(
            "bonded_parts",
            CHECK,
            words,
            None,
            None,
            None,
            first.sextant if known_side else None,
            "facial",
            spot(first.centre),
        )
    ]


def _between(pair: tuple[int, int], sextant: str, known_side: bool, unsure: set[int]) -> str:
    if not known_side:
        return "(see the picture)"
    first, second = (tooth_words(number) for number in pair)
    doubt = f" {_UNSURE}" if unsure & set(pair) else ""
    return f"between {first} and {second}{doubt} ({sextant_words(sextant)})"

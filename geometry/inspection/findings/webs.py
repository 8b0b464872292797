"""Findings about films of moisture between two teeth."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geometry.dentition import Dentition, Tooth
from geometry.dentition.result import SIDES
from geometry.frame import Frame
from geometry.inspection.findings.finding import CHECK, Finding, spot
from geometry.inspection.place import Placer
from geometry.sampling import Bump
from geometry.sampling.webs import Groove, Web

Array = NDArray[np.float64]

# Middles of neighbours lie no farther apart than their breadth, or another tooth was between.
_APART_SHARE, _APART_MM = 1.35, 1.0
# Beside what is bonded its own edge is a ledge.
_BONDED_REACH_MM = 3.5
# A blister told so near is the film.
SAME_PLACE_MM = 2.5


def grooves_of(frame: Frame, dentition: Dentition) -> list[Groove]:
    """Where neighbouring crowns meet, from both sides, without those that something spans.

    Bonded wires and what is bonded to the teeth are told by themselves.
    """
    teeth, spanned = dentition.teeth, _wired(dentition)
    grooves = []
    for first, second in pairwise(teeth):
        step = second.centre - first.centre
        step = step - (step @ frame.occlusal) * frame.occlusal
        apart, breadth = float(np.linalg.norm(step)), first.width_mm + second.width_mm
        if not 0.0 < apart <= 0.5 * _APART_SHARE * breadth + _APART_MM:
            continue
        along = step / apart
        middle = first.centre + (second.centre - first.centre) * first.width_mm / breadth
        facial = _across(first) + _across(second)
        outward = np.cross(along, frame.occlusal)
        outward *= np.sign(outward @ facial) or 1.0
        pair = (first.number, second.number)
        for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
            if side == "facial" and any(number in dentition.attached for number in pair):
                continue
            if side == "lingual" and pair in spanned:
                continue
            gum = 0.5 * (first.side(side).at + second.side(side).at) - middle
            top = 0.5 * (first.centre + second.centre) - middle
            grooves.append(
                Groove(
                    middle,
                    along,
                    sign * outward,
                    float(gum @ frame.occlusal),
                    float(top @ frame.occlusal),
                )
            )
    return grooves


def _across(tooth: Tooth) -> Array:
    return np.asarray(tooth.facial.at - tooth.lingual.at)


def _wired(dentition: Dentition) -> set[tuple[int, int]]:
    """Pairs of neighbours that a wire behind the front teeth joins."""
    if dentition.wire is None:
        return set()
    numbers = [tooth.number for tooth in dentition.teeth]
    first, last = (numbers.index(number) for number in dentition.wire.between)
    return set(zip(numbers[first:last], numbers[first + 1 : last + 1], strict=True))


def not_bonded(webs: Iterable[Web], bumps: tuple[Bump, ...]) -> tuple[Web, ...]:
    """Leave out webs that are the edge of something bonded."""
    parts = [bump.at for bump in bumps if bump.bonded]
    return tuple(
        web
        for web in webs
        if web.thin or all(np.linalg.norm(web.at - part) > _BONDED_REACH_MM for part in parts)
    )


def without_films(bumps: tuple[Bump, ...], webs: tuple[Web, ...]) -> tuple[Bump, ...]:
    """Leave out blisters that are told as films."""
    return tuple(
        bump
        for bump in bumps
        if bump.bonded or all(np.linalg.norm(bump.at - web.at) > SAME_PLACE_MM for web in webs)
    )


def web_findings(webs: tuple[Web, ...], placer: Placer) -> list[Finding]:
    """Tell each film: where, how large, what to do."""
    found = []
    for web in webs:
        place = placer(web.at)
        words = (
            f"A film {web.width_mm:.1f} mm wide and {web.height_mm:.1f} mm high spans the gap "
            f"between two teeth, {place.words}: moisture? "
            "Blow dry between the teeth and rescan 2–3 s. "
            "Leave it if something is bonded there."
        )
        found.append(
            Finding(
                "web",
                CHECK,
                words,
                web.width_mm,
                None,
                "mm",
                place.sextant,
                place.side,
                spot(web.at),
            )
        )
    return found

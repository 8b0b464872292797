"""What is doubtful about the gum is told once, at its place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geometry.dentition import Dentition, TissuePlace, Tooth
from geometry.inspection.findings.tissue import tissue_findings
from geometry.inspection.limits import DEFAULT_LIMITS

AT = np.zeros(3)
PLENTY = TissuePlace(np.empty((0, 3)), True, 11.0, 10.5, 11.5, 0.0, "measured", AT, AT)
DOUBT = replace(PLENTY, captured_mm=3.8, low_mm=2.2, high_mm=4.6, p_short=0.2, status="uncertain")


def told(*places: TissuePlace, reason: str = "", known: bool = True):
    """Findings for upper left teeth from the central incisor on, with these outer sides."""
    teeth = tuple(
        Tooth(21 + k, True, "04" if k < 3 else "05", AT, 8.0, 9.0, place, PLENTY)
        for k, place in enumerate(places)
    )
    dentition = Dentition(
        "upper", teeth, status="uncertain" if reason else "measured", reason=reason
    )
    return tissue_findings(dentition, known, DEFAULT_LIMITS)


def test_a_doubtful_place_is_told_at_its_tooth_and_not_again():
    (found,) = told(PLENTY, DOUBT, PLENTY, PLENTY, reason="could not tell … 22 facial")
    assert (found.code, found.severity, found.sextant) == ("margin_uncertain", "check", "04")
    assert found.message == (
        "Gum line not certain, upper left lateral incisor, lip side: between 2.2 and 4.6 mm of "
        "gum, and 3 mm are the least. Compare the line on the picture with the mouth, and correct "
        "it or rescan."
    )


def test_what_is_surely_short_stops_the_scan_whatever_is_doubtful_beside_it():
    short = replace(PLENTY, captured_mm=2.0, low_mm=1.6, high_mm=2.4, p_short=1.0)
    worse = replace(DOUBT, captured_mm=1.0, low_mm=0.0)
    (found,) = told(worse, short, PLENTY)
    assert (found.code, found.severity, found.measured) == ("short_tissue", "stop", 2.0)
    assert "lateral incisor" in found.message
    teeth = tuple(
        Tooth(21 + k, True, "04" if k < 3 else "05", AT, 8.0, 9.0, place, PLENTY)
        for k, place in enumerate((worse, short, PLENTY, worse))
    )
    assert Dentition("upper", teeth).uncertain_places() == [("05", "facial")]


def test_an_arch_that_is_not_known_leaves_no_doubt_about_the_gum():
    assert told(PLENTY, PLENTY, reason="it is not known which arch this is", known=False) == []


def test_a_gum_line_that_shows_nowhere_is_told_once_for_all():
    unseen = replace(PLENTY, margin_seen=False)
    teeth = tuple(Tooth(21 + k, True, "04", AT, 8.0, 9.0, unseen, unseen) for k in range(3))
    dentition = Dentition("upper", teeth, status="uncertain", reason="not found")
    (found,) = tissue_findings(dentition, True, DEFAULT_LIMITS)
    assert (found.code, found.severity) == ("margin_uncertain", "check")
    assert "does not show on most teeth" in found.message


def test_hardly_any_gum_says_how_much_of_the_scan_ends_at_the_teeth():
    none = replace(PLENTY, captured_mm=0.0, low_mm=0.0, high_mm=0.3, p_short=1.0)
    teeth = tuple(Tooth(21 + k, True, "04", AT, 8.0, 9.0, none, none) for k in range(3))
    found = tissue_findings(Dentition("upper", teeth, status="measured"), True, DEFAULT_LIMITS)
    first = next(one for one in found if one.code == "no_tissue")
    assert "on 100% of the teeth's sides the scan ends at the tooth" in first.message


def test_a_gum_line_that_leaves_hardly_any_crown_is_doubtful_as_a_whole():
    teeth = tuple(
        Tooth(21 + k, True, "04" if k < 3 else "05", AT, 8.0, 6.0, PLENTY, PLENTY) for k in range(4)
    )
    high = Dentition("upper", teeth, status="measured", crown_ratio=0.6)
    (found,) = tissue_findings(high, True, DEFAULT_LIMITS)
    assert (found.code, found.severity) == ("margin_uncertain", "check")
    assert "60% of their usual length" in found.message
    assert tissue_findings(replace(high, crown_ratio=0.8), True, DEFAULT_LIMITS) == []

"""A gum line that the inspection was not certain of is confirmed or corrected at the chair."""

from __future__ import annotations

import json

import numpy as np
import pytest
from django.urls import reverse

from clinic.models import AuditEntry
from production import storage
from production.actions.chair.confirm_margin import confirm_margin, gum_below
from production.actions.chair.take_scan import take_scan
from production.actions.errors import Refused
from production.inspecting import Inspected
from production.models import Scan
from production.selectors.chair.scans import margin_words, number_findings

UNCERTAIN = {
    "code": "margin_uncertain", "severity": "check", "measured": 4.5, "limit": 3.0, "unit": "mm",
    "message": "Gum line not certain, upper right first molar, cheek side.", "sextant": "03",
    "side": "facial", "at": [10.0, 0.0, -6.0],
}  # fmt: skip
REPORT = {"frame": None, "findings": [UNCERTAIN], "verdict": "check", "explanation": ""}
# The border of the scan: a level ring 10 mm below the biting plane.
TURN = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
RING = np.column_stack([12.0 * np.cos(TURN), 12.0 * np.sin(TURN), np.full(200, -10.0)])
OVERLAYS = {
    "frame": {"occlusal": [0.0, 0.0, 1.0]},
    "lines": [{"layer": "border", "points": RING.tolist()}],
}


@pytest.fixture
def scan(office, person, patient) -> Scan:
    """An inspected scan with one uncertain place."""
    picture = storage.store_bytes(b"picture", "image/png")
    taken, _ = take_scan(person("doctor"), patient, "upper", [b"scan"], key="gum-line")
    Inspected(REPORT, OVERLAYS, picture, picture).save(taken)
    taken.refresh_from_db()
    return taken


@pytest.mark.parametrize("turned", [False, True])
def test_gum_is_measured_along_the_occlusal_axis(turned):
    # Closed form: 4 mm and 1.5 mm above the ring, and one place far from any border.
    marks = np.array([[11.0, 0.0, -6.0], [0.0, 11.0, -8.5], [60.0, 0.0, -6.0]])
    spin = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))[0] if turned else np.eye(3)
    overlays = {
        "frame": {"occlusal": (spin @ [0.0, 0.0, 1.0]).tolist()},
        "lines": [{"layer": "border", "points": (RING @ spin.T).tolist()}],
    }
    assert gum_below(overlays, marks @ spin.T) == [pytest.approx(4.0), pytest.approx(1.5), None]


def test_without_a_frame_nothing_is_measured():
    assert gum_below({"lines": OVERLAYS["lines"]}, np.zeros((1, 3))) == [None]


def test_the_place_can_be_confirmed_on_its_page(scan, signed_in):
    client = signed_in("doctor")
    page = client.get(reverse("scan", args=[scan.uuid])).content.decode()
    assert "Is the gum line right?" in page
    client.post(reverse("scan-margin", args=[scan.uuid]), {"points": ""})
    scan.refresh_from_db()
    assert scan.verdict == "check"
    (row,) = number_findings(scan)
    assert (row["css"], row["number"]) == ("good", 1)
    assert row["settled"].startswith("The line is right: Doctor")
    assert AuditEntry.objects.filter(action="margin confirmed").exists()


def test_marks_with_enough_gum_settle_it(scan, person):
    confirm_margin(person("technician"), scan, [[11.0, 0.0, -6.0]])
    scan.refresh_from_db()
    assert scan.verdict == "check"
    assert "4.0 mm of gum below" in number_findings(scan)[0]["settled"]


def test_a_mark_speaks_of_the_places_beside_it_only(scan, person, signed_in):
    other = {**UNCERTAIN, "message": "Gum line not certain, upper left.", "at": [-11.0, 0.0, -6.0]}
    scan.report = {**REPORT, "findings": [UNCERTAIN, other]}
    scan.save(update_fields=["report"])
    technician, client = person("technician"), signed_in("doctor")
    confirm_margin(technician, scan, [[11.0, 0.0, -6.0]])
    scan.refresh_from_db()
    assert [bool(row["settled"]) for row in number_findings(scan)] == [True, False]
    page = client.get(reverse("scan", args=[scan.uuid])).content.decode()
    assert "still not certain at" in page
    confirm_margin(technician, scan, [[11.0, 0.0, -6.0], [-11.0, 0.0, -6.0]])
    scan.refresh_from_db()
    assert [bool(row["settled"]) for row in number_findings(scan)] == [True, True]
    assert "not certain at" not in client.get(reverse("scan", args=[scan.uuid])).content.decode()


def test_marks_kept_without_a_measure_are_still_told(scan):
    at = "2026-11-02T09:00:00+00:00"
    scan.margin_confirmed = {"points": [[0.0, 0.0, 0.0]], "correct": False, "at": at}
    assert "Corrected at 1 place" in margin_words(scan)
    assert "Corrected at 1 place" in margin_words(scan, [1.0, 0.0, 0.0])
    assert margin_words(scan, [50.0, 0.0, 0.0]) == ""


@pytest.mark.parametrize(("notes", "folded"), [(4, False), (5, True)])
def test_many_notes_are_folded_away_and_what_is_asked_is_not(scan, signed_in, notes, folded):
    note = {**UNCERTAIN, "code": "gap", "severity": "note", "message": "A space, for the lab."}
    scan.report = {**REPORT, "findings": [UNCERTAIN, *[note] * notes]}
    scan.save(update_fields=["report"])
    page = signed_in("doctor").get(reverse("scan", args=[scan.uuid])).content.decode()
    shown, _, behind = page.partition('<details id="notes">')
    assert ("5 notes for the lab" in behind) is folded
    assert "Gum line not certain" in shown
    assert page.count("A space, for the lab.") == notes
    assert ("A space, for the lab." in shown) is not folded


def test_marks_with_too_little_gum_stop_production_until_they_are_taken_back(scan, person):
    doctor = person("doctor")
    confirm_margin(doctor, scan, [[11.0, 0.0, -6.0], [0.0, 11.0, -8.5]])
    scan.refresh_from_db()
    assert scan.verdict == "rescan"
    assert not scan.usable
    stop, asked = number_findings(scan)
    assert stop["message"].startswith("1.5 mm of gum below")
    # The picture's numbers are those of the inspection; what a person added has none.
    assert (stop["number"], asked["number"]) == (None, 1)
    confirm_margin(doctor, scan, [])
    scan.refresh_from_db()
    assert (scan.verdict, len(scan.report["findings"])) == ("check", 1)


@pytest.mark.parametrize("points", ["[[1, 2]]", "[[1, 2, 1e999]]", "{", '[["a", 0, 0]]', "7"])
def test_marks_that_are_no_places_are_refused_in_words(scan, signed_in, points):
    answer = signed_in("doctor").post(
        reverse("scan-margin", args=[scan.uuid]), {"points": points}, headers={"HX-Request": "true"}
    )
    assert answer.status_code == 422
    assert "could not be read" in answer.content.decode()
    scan.refresh_from_db()
    assert scan.margin_confirmed is None


def test_the_front_desk_does_not_judge_gums(scan, signed_in):
    answer = signed_in("front_desk").post(reverse("scan-margin", args=[scan.uuid]))
    assert answer.status_code == 403


def test_too_many_marks_are_refused(scan, person):
    with pytest.raises(Refused):
        confirm_margin(person("doctor"), scan, json.loads("[[0, 0, 0]]") * 201)

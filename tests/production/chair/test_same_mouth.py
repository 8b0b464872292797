"""A repeat scan is compared with the one on record before anything is made from it."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from production import same_mouth, storage, work
from production.actions.chair.accept_scan import accept_scan
from production.actions.chair.set_aside_scan import set_aside_scan, take_back_scan
from production.actions.chair.take_scan import take_scan
from production.actions.errors import Refused
from production.inspecting import Inspected
from production.jobs.mouth import CompareMouths
from production.models import Scan, Work
from production.selectors.chair.scans import number_findings

REPORT = {"frame": {"origin": [0, 0, 0]}, "findings": [], "verdict": "pass", "explanation": ""}
ANSWER = {"probability": 0.001, "reason": "the crowns do not agree", "crown_shift_mm": None}


@pytest.fixture
def doctor(office, person):
    return person("doctor")


@pytest.fixture
def take(doctor, patient):
    """``take(b"…")``: a scan uploaded and inspected without findings."""
    picture = storage.store_bytes(b"picture", "image/png")

    def make(data: bytes, whose=patient, arch: str = "upper") -> Scan:
        scan, _ = take_scan(doctor, whose, arch, [data], key=f"{whose.pk}-{arch}-{data!r}")
        Inspected(REPORT, {}, picture, picture).save(scan)
        scan.refresh_from_db()
        return scan

    return make


def answer(scan: Scan, same: str | None, monkeypatch) -> None:
    """Let the worker compare; the geometry says ``same``, or fails for good with None."""
    row = work.claim(Work.objects.get(kind="mouth", subject_id=scan.pk).pk)
    if same is None:
        CompareMouths().gave_up(row)
    else:
        found = {"same_mouth": same} | ANSWER
        monkeypatch.setattr(same_mouth, "compare_with_earlier", lambda *_: found)
        CompareMouths().run(row)
    scan.refresh_from_db()


def codes(scan: Scan) -> list[str]:
    return [finding["code"] for finding in scan.report["findings"]]


def test_a_first_scan_is_not_compared(take):
    scan = take(b"first")
    assert scan.usable
    assert not Work.objects.filter(kind="mouth").exists()


def test_a_repeat_scan_waits_for_the_comparison_and_then_passes(take, doctor, monkeypatch):
    take(b"first")
    scan = take(b"second")
    assert not scan.usable
    with pytest.raises(ValidationError, match="being compared"):
        accept_scan(doctor, scan, "looks right to me")
    answer(scan, "yes", monkeypatch)
    assert (scan.usable, scan.verdict, codes(scan)) == (True, "pass", [])


def test_another_mouth_stops_production_until_a_doctor_decides(take, doctor, monkeypatch):
    take(b"first")
    scan = take(b"second")
    answer(scan, "no", monkeypatch)
    assert (scan.usable, scan.verdict, codes(scan)) == (False, "rescan", ["other_mouth"])
    assert "the crowns do not agree" in scan.report["findings"][0]["message"]
    accept_scan(doctor, scan, "identity checked, teeth restored since")
    assert Scan.objects.get(pk=scan.pk).usable


@pytest.mark.parametrize("same", ["unsure", None])
def test_what_cannot_be_told_is_a_question_and_not_a_pass(take, monkeypatch, same):
    take(b"first")
    scan = take(b"second")
    answer(scan, same, monkeypatch)
    assert (scan.verdict, codes(scan)) == ("check", ["mouth_unsure"])


def test_a_doubted_scan_is_not_what_the_next_one_is_compared_with(take, monkeypatch):
    first, other = take(b"first"), take(b"second")
    answer(other, "no", monkeypatch)
    assert same_mouth.earlier_scan(take(b"third")) == first


def test_treatment_since_an_old_scan_is_said(take, monkeypatch):
    first = take(b"first")
    Scan.objects.filter(pk=first.pk).update(uploaded_at=first.uploaded_at - dt.timedelta(days=90))
    scan = take(b"second")
    answer(scan, "no", monkeypatch)
    assert "90 days old" in scan.report["findings"][0]["message"]


def test_the_same_file_for_two_patients_is_stopped(take, patient):
    take(b"one file")
    other = type(patient).objects.create(
        chart_number="T-2", given_name="Bo", family_name="Lind", date_of_birth=dt.date(2010, 1, 2)
    )
    scan = take(b"one file", other)
    assert (scan.verdict, codes(scan)) == ("rescan", ["file_elsewhere"])
    assert "T-1001" in scan.report["findings"][0]["message"]


def test_findings_from_the_record_leave_the_numbers_on_the_picture_alone():
    found = [{"code": "other_mouth", "severity": "stop"}, {"code": "hole", "severity": "check"}]
    numbers = [f["number"] for f in number_findings(Scan(report={"findings": found}))]
    assert numbers == [None, 1]


def test_setting_aside_brings_the_scan_before_it_back_and_can_be_undone(take, doctor):
    first, wrong = take(b"first"), take(b"wrong patient")
    first.refresh_from_db()
    assert first.replaced_by == wrong
    with pytest.raises(Refused, match="why"):
        set_aside_scan(doctor, wrong, "")
    set_aside_scan(doctor, wrong, "another patient's")
    first.refresh_from_db()
    wrong.refresh_from_db()
    assert first.usable
    assert not wrong.usable
    take_back_scan(doctor, wrong)
    first.refresh_from_db()
    assert first.replaced_by == wrong


def test_the_page_sets_aside_and_takes_back(take, signed_in):
    scan = take(b"first")
    client = signed_in("doctor")
    page = reverse("scan", args=[scan.uuid])
    aside = reverse("scan-aside", args=[scan.uuid])
    assert client.post(aside, {"reason": ""}).status_code == 422
    client.post(aside, {"reason": "taken for the wrong patient"})
    assert "taken for the wrong patient" in client.get(page).content.decode()
    client.post(aside, {"back": "1"})
    assert "Nothing is made from it" not in client.get(page).content.decode()

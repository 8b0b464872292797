"""A ZIP of step models is taken in, checked, and started once a person has looked."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from production import work
from production.actions.chair.take_series import (
    exchange_steps,
    number_as_named,
    start_series,
    take_series,
)
from production.actions.errors import Refused
from production.jobs.series import CheckSeries
from production.models import Series, SeriesIntake, Work
from production.selectors.chair.steps import movement_bars

STEPS = ["up/upper_1.stl", "up/upper_2.stl", "up/upper_3.stl", "up/upper_4.stl", "notes.txt"]
CHECK = {
    "acceptable": False,
    "problems": ["upper: up/upper_3.stl is of another mouth or arch"],
    "unreadable": [{"file": "up/upper_2.stl", "reason": "upper_2.stl: the file is empty"}],
    "ignored": ["notes.txt"],
    "limit_mm": 0.25,
    "arches": {
        "upper": {
            "steps": [1, 4], "first": 1, "last": 4, "missing": [], "swapped": [[1, 4]],
            "foreign": [{"file": "up/upper_3.stl", "step": 3}], "wrong_arch": [], "doubled": [],
        }
    },
}  # fmt: skip


def packed(names: list[str]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as package:
        for name in names:
            package.writestr(name, f"model {name}")
    return file.getvalue()


@pytest.fixture
def intake(office, person, patient) -> SeriesIntake:
    """A series as the check left it: one file empty, one of another mouth."""
    taken = take_series(person("technician"), patient, [packed(STEPS)])
    SeriesIntake.objects.update(status=SeriesIntake.Status.CHECKED, report=CHECK)
    taken.refresh_from_db()
    return taken


def begin(user, intake, **more) -> Series:
    options = {"started_on": dt.date(2026, 11, 2), "wear_days": 14, "steps_per_visit": 4}
    return start_series(user, intake, **{**options, "next_visit_on": None, **more})


def test_problems_are_looked_at_before_the_series_starts(intake, person):
    with pytest.raises(Refused, match="The check found problems"):
        begin(person("technician"), intake)


def test_what_is_unreadable_or_of_another_mouth_is_no_step_whoever_accepts_it(intake, person):
    series = begin(person("doctor"), intake, accepted=True)
    assert list(series.steps.order_by("number").values_list("number", flat=True)) == [1, 4]
    assert series.steps.get(number=4).file.read() == b"model up/upper_4.stl"


def test_the_page_names_what_was_swapped_and_left_out(intake, signed_in):
    page = signed_in("technician").get(reverse("series-intake", args=[intake.uuid]))
    words = page.content.decode()
    assert "1 and 4" in words
    assert "step 3: left out" in words
    assert "No models, left out: notes.txt." in words


@pytest.mark.parametrize("data", [b"", b"PK but no package", packed([])])
def test_a_file_that_is_no_series_is_told_of_without_its_digest(office, person, patient, data):
    taken = take_series(person("technician"), patient, [data])
    row = work.claim(Work.objects.get(kind="series", subject_id=taken.pk).pk)
    job = CheckSeries()
    try:
        job.run(row)
    except ValueError as error:
        job.refused(row, str(error))
    taken.refresh_from_db()
    assert taken.status == SeriesIntake.Status.FAILED
    assert taken.file.sha256 not in taken.problem
    assert taken.problem


def test_only_a_zip_is_taken(office, patient, signed_in):
    client = signed_in("technician")
    address = reverse("series-take", args=[patient.uuid])
    answer = client.post(address, {"file": SimpleUploadedFile("x.txt", b"hi")}, follow=True)
    assert "Choose a ZIP file" in answer.content.decode()
    assert not SeriesIntake.objects.exists()


def test_exchanged_steps_are_checked_again_and_start_in_the_order_of_their_shapes(intake, person):
    user = person("doctor")
    Work.objects.filter(kind="series").update(status=Work.Status.DONE)
    exchange_steps(user, intake, "upper", 1, 4)
    assert (intake.status, intake.report) == (SeriesIntake.Status.WAITING, None)
    assert Work.objects.filter(kind="series", status=Work.Status.PENDING).count() == 1
    with pytest.raises(Refused, match="after the check"):
        exchange_steps(user, intake, "upper", 1, 4)
    SeriesIntake.objects.update(status=SeriesIntake.Status.CHECKED, report=CHECK)
    intake.refresh_from_db()
    series = begin(user, intake, accepted=True)
    assert series.steps.get(number=4).file.read() == b"model up/upper_1.stl"
    assert series.steps.get(number=1).file.read() == b"model up/upper_4.stl"


def test_only_steps_that_the_check_calls_swapped_are_exchanged(intake, person):
    with pytest.raises(Refused, match="does not say"):
        exchange_steps(person("doctor"), intake, "upper", 1, 3)
    with pytest.raises(Refused, match="does not say"):
        exchange_steps(person("doctor"), intake, "lower", 1, 4)


def test_an_exchange_is_taken_back_on_the_page(intake, person, signed_in):
    exchange_steps(person("doctor"), intake, "upper", 1, 4)
    SeriesIntake.objects.update(status=SeriesIntake.Status.CHECKED, report=CHECK)
    client, address = signed_in("technician"), reverse("series-intake", args=[intake.uuid])
    assert "counts as step 4" in client.get(address).content.decode()
    client.post(reverse("series-numbers", args=[intake.uuid]), {"as": "named"})
    intake.refresh_from_db()
    assert (intake.numbers, intake.status) == ({}, SeriesIntake.Status.WAITING)


def test_numbers_stay_while_they_are_checked(intake, person):
    exchange_steps(person("doctor"), intake, "upper", 1, 4)
    with pytest.raises(Refused, match="wait for the check"):
        number_as_named(person("doctor"), intake)
    intake.refresh_from_db()
    assert intake.numbers == {"up/upper_1.stl": 4, "up/upper_4.stl": 1}


def test_a_series_cannot_be_started_while_its_steps_are_compared(intake, signed_in):
    client = signed_in("doctor")
    SeriesIntake.objects.update(status=SeriesIntake.Status.WAITING)
    page = client.get(reverse("series-intake", args=[intake.uuid])).content.decode()
    assert 'id="series-start" disabled' in page
    SeriesIntake.objects.update(status=SeriesIntake.Status.CHECKED)
    brought = client.get(reverse("series-state", args=[intake.uuid]) + "?seen=x").content.decode()
    assert 'id="series-start" hx-swap-oob="true"' in brought


def test_numbers_stay_once_the_series_runs(intake, person):
    begin(person("doctor"), intake, accepted=True)
    intake.refresh_from_db()
    with pytest.raises(Refused, match="started already"):
        number_as_named(person("doctor"), intake)


def test_a_series_is_not_started_on_numbers_that_were_changed_meanwhile(intake, person):
    seen = SeriesIntake.objects.get(pk=intake.pk)
    exchange_steps(person("doctor"), intake, "upper", 1, 4)
    with pytest.raises(Refused, match="numbered anew meanwhile"):
        begin(person("doctor"), seen, accepted=True)
    assert not Series.objects.exists()


def test_bars_mark_what_goes_over_the_limit_and_what_is_out_of_place():
    moves = [{"from": k, "to": k + 1, "mm": mm} for k, mm in enumerate([0.1, 0.5, 0.2], start=1)]
    arch = {"movements": moves, "over_limit": [moves[1]], "swapped": [[3, 4]], "misplaced": []}
    bars = movement_bars(arch, 0.25)
    assert [(b.over, b.doubtful) for b in bars] == [(False, False), (True, True), (False, True)]
    assert [b.share for b in bars] == [20.0, 100.0, 40.0]
    assert {b.limit_share for b in bars} == {50.0}
    assert movement_bars({}, 0.25) == []

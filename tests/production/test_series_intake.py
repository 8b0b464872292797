"""A ZIP of step models is taken in, checked, and started once a person has looked."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from production import work
from production.actions.errors import Refused
from production.actions.take_series import start_series, take_series
from production.jobs.series import CheckSeries
from production.models import Series, SeriesIntake, Work

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

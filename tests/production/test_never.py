"""What can never be made as things stand is said in the desk's words, with what would help."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from clinic.models import Absence, OpeningHours, Role, User
from production.actions import agree_promise, open_order
from production.models import ApplianceKind, Machine, Promise, Stage
from production.scheduling import quote_pickup
from production.scheduling.publish import make_plan

MORNING = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)


def nobody_trained(person):
    trained = User.objects.create(username="ada", first_name="Ada", role=Role.TECHNICIAN)
    Stage.objects.get(code="form").trained.add(trained)
    Absence.objects.create(person=trained, starts_at=MORNING)


def nobody_there(person):
    Absence.objects.create(person=person("technician"), starts_at=MORNING)


def no_printer_in_service(person):
    Machine.objects.filter(kind="printer").update(state=Machine.State.DOWN)


def no_printer(person):
    Machine.objects.filter(kind="printer").delete()


def closed(person):
    OpeningHours.objects.all().delete()


@pytest.mark.parametrize(
    ("trouble", "cause", "remedy"),
    [
        (nobody_trained, "No technician trained for Form is at the bench", "who is at the bench"),
        (nobody_there, "No technician for it is at the bench", "who is at the bench"),
        (no_printer_in_service, "No printer is in service", "when it will be back"),
        (no_printer, "The office has no printer", "manager adds it"),
        (closed, "The office is not open", "when it is open"),
    ],
)
def test_the_desk_is_told_why_and_what_would_help(
    office, machines, person, patient, monkeypatch, trouble, cause, remedy
):
    monkeypatch.setattr(timezone, "now", lambda: MORNING)
    person("technician")
    kind = ApplianceKind.objects.get(code="retainer")
    order = open_order(person("doctor"), patient, kind, ["upper"], key="o")
    agree_promise(person("doctor"), order, MORNING + dt.timedelta(hours=5), key="p")
    trouble(person)
    asked = quote_pickup(kind, ["upper"], MORNING)
    assert asked.earliest is None
    assert asked.reason.startswith(cause)
    assert remedy in asked.reason
    make_plan().publish()
    promise = Promise.objects.get()
    assert promise.p_late == 1.0
    assert cause.casefold() in promise.cause.casefold()
    assert remedy in promise.rescue

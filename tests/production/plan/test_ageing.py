"""A plan is made anew when it is old: the risk of a promise grows where nothing happens."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from production.actions import agree_promise, open_order
from production.models import ApplianceKind, Machine, Promise, Work
from production.scheduling.ageing import ask_when_old
from production.scheduling.publish import make_plan

MORNING = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)


@pytest.fixture
def retainer(office, person, monkeypatch):
    """What an office with one machine of each kind and one technician makes in the morning."""
    for kind in ("printer", "wash", "cure", "forming"):
        Machine.objects.create(code=kind, name=kind, kind=kind, capacity=4)
    person("technician")
    monkeypatch.setattr(timezone, "now", lambda: MORNING)
    return ApplianceKind.objects.get(code="retainer")


def test_where_nothing_happens_the_risk_grows_all_the_same(retainer, person, patient, monkeypatch):
    doctor = person("doctor")
    assert not ask_when_old()  # nothing is open
    order = open_order(doctor, patient, retainer, ["upper"], key="o")
    agree_promise(doctor, order, MORNING + dt.timedelta(hours=4), key="p")
    risks = []
    for hours in (0, 2.5):
        now = MORNING + dt.timedelta(hours=hours)
        monkeypatch.setattr(timezone, "now", lambda now=now: now)
        Work.objects.all().delete()
        assert ask_when_old()
        assert Work.objects.get().kind == "plan"
        make_plan().publish()
        assert not ask_when_old()
        risks.append(Promise.objects.get().p_late)
    assert risks[0] < 0.05 < 0.5 < risks[1]
    night = MORNING + dt.timedelta(hours=14)
    monkeypatch.setattr(timezone, "now", lambda: night)
    assert not ask_when_old()

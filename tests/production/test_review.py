"""The review: hand-worked figures, kept days agree with counted ones, every figure has its list."""

from __future__ import annotations

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from production.models import (
    Appliance,
    ApplianceKind,
    DaySummary,
    Order,
    Promise,
    Stage,
    StageEvent,
)
from production.selectors.counting import count
from production.selectors.facts import facts, summarise, total
from production.selectors.review import Range, figures

DAY = dt.date(2026, 11, 4)


def at(hour: float, day: dt.date = DAY) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(), dt.UTC) + dt.timedelta(hours=hour)


class Records:
    """Writes the rows that a day leaves behind, without playing it."""

    def __init__(self, patient) -> None:
        self.patient = patient
        self.kind = ApplianceKind.objects.get(code="retainer")
        self.stages = {s.code: s for s in Stage.objects.all()}
        self.number = 0

    def appliance(self, scanned: float, ready: float | None, out: float | None, day=DAY, due=16.0):
        self.number += 1
        order = Order.objects.create(patient=self.patient, kind=self.kind)
        row = Appliance.objects.create(
            code=f"R{self.number:05}", order=order, kind=self.kind, arch="upper",
            created_at=at(scanned, day), scanned_at=at(scanned, day),
            ready_at=at(ready, day) if ready else None,
            delivered_at=at(out, day) if out else None,
            stage=self.stages["delivery"], status="delivered" if out else "ready",
        )  # fmt: skip
        Promise.objects.create(
            order=order, due_at=at(due, day), kept=ready is not None and ready <= due,
            p_kept_at_agreement=0.96,
        )  # fmt: skip
        return row

    def event(self, row, stage: str, action: str, hour: float, cause=None):
        row.seq += 1
        row.failures += action == "fail"
        row.save()
        return StageEvent.objects.create(
            appliance=row, seq=row.seq, stage=self.stages[stage], action=action,
            at=at(hour, row.created_at.date()), cause=cause, key=f"{row.code}-{row.seq}",
        )  # fmt: skip


@pytest.fixture
def records(office, patient, monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: at(12, dt.date(2026, 11, 25)))
    return Records(patient)


@pytest.fixture
def day(records):
    """Ten appliances: nine on time; four hours each; one fails at trim the first time."""
    for number in range(10):
        row = records.appliance(9, 12 if number else 17, 13 if number else 18)
        if number == 3:
            records.event(row, "trim", "fail", 11.0)
        records.event(row, "form", "finish", 10.5)
        records.event(row, "trim", "finish", 11.5)
    return records


def test_hand_worked_day(day):
    found = figures(Range(DAY, DAY))
    assert (found.on_time.k, found.on_time.n) == (9, 10)
    assert found.handed_over == 10
    # Nine took four hours, one nine; counted in steps of five minutes.
    assert found.lead_median == pytest.approx(240, abs=5)
    by_stage = {y.stage.code: (y.rate.k, y.rate.n) for y in found.yields}
    assert by_stage == {"form": (10, 10), "trim": (9, 10)}
    assert found.rolled == pytest.approx(0.9)
    assert found.causes == [("No cause recorded", 1, 1.0)]
    # Little: 10 arrivals a day, (9 × 3 h + 8 h) / 10 in it, so 35 h / 24 h in progress.
    assert found.in_progress == pytest.approx(35 / 24)
    assert found.little == pytest.approx(0.0, abs=1e-9)
    assert [(round(b.stated, 2), b.rate.k, b.rate.n) for b in found.bands] == [(0.96, 9, 10)]


def test_a_failure_taken_back_does_not_count(records):
    row = records.appliance(9, 12, 13)
    failed = records.event(row, "trim", "fail", 11.0)
    row.seq += 1
    StageEvent.objects.create(
        appliance=row, seq=row.seq, stage=records.stages["trim"], action="undo", at=at(11.1),
        undoes=failed, key="undo",
    )  # fmt: skip
    records.event(row, "trim", "finish", 11.5)
    found = figures(Range(DAY, DAY))
    assert found.failures == 0
    assert found.yields[0].rate.value == 1.0


def test_an_appliance_over_midnight_is_shared_out_over_the_days(records):
    records.appliance(18, 30, 32)
    days = count(DAY, DAY + dt.timedelta(days=1))
    assert [round(f.present_days * 24, 6) for f in days.values()] == [6.0, 6.0]


def test_kept_days_give_the_same_figures_as_counting(day):
    later = DAY + dt.timedelta(days=2)
    day.appliance(8, 11, 12, day=later)
    span = Range(DAY, later + dt.timedelta(days=2))
    counted = total(count(span.first, span.last).values())
    assert summarise(dt.date(2026, 11, 25)) > 0
    assert DaySummary.objects.filter(date=DAY).exists()
    assert total(facts(span.first, span.last).values()) == counted
    assert summarise(dt.date(2026, 11, 25)) == 0


def test_the_number_of_queries_does_not_grow_with_the_range(day, django_assert_max_num_queries):
    with django_assert_max_num_queries(40):
        figures(Range(DAY - dt.timedelta(days=60), DAY + dt.timedelta(days=10)))


def test_every_figure_leads_to_its_appliances(day, signed_in):
    doctor = signed_in("doctor")
    query = f"?from={DAY}&to={DAY}"
    page = doctor.get(reverse("review") + query)
    assert page.status_code == 200
    assert "9 of 10" in page.content.decode()
    expected = {"on-time": 9, "missed": 1, "ready": 10, "handed-over": 10, "remakes": 0, "stuck": 0}
    for what, number in expected.items():
        answer = doctor.get(reverse("review-behind", args=[what]) + query)
        assert len(answer.context["rows"]) == number, what
    failed = doctor.get(reverse("review-behind", args=["stage"]) + query + "&name=trim")
    assert len(failed.context["rows"]) == 1


@pytest.mark.parametrize("name", ["causes", "reliability", "lead-time", "failures"])
def test_charts_are_pictures_even_of_nothing(records, signed_in, name):
    answer = signed_in("doctor").get(reverse("review-chart", args=[name]))
    assert answer.content.lstrip().startswith(b"<?xml")


def test_table_and_paper(day, signed_in):
    doctor = signed_in("doctor")
    query = f"?from={DAY}&to={DAY}"
    table = doctor.get(reverse("review-table") + query).content.decode().splitlines()
    assert table[1].split(",")[1:5] == ["10", "9", "10", "1"]
    assert doctor.get(reverse("review-paper") + query).content.startswith(b"%PDF")


@pytest.mark.parametrize(
    "query", ["?from=x&to=y", "?from=2026-12-31&to=1999-01-01", "?to=9999-12-31"]
)
def test_a_wrong_range_is_mended(records, signed_in, query):
    assert signed_in("doctor").get(reverse("review") + query).status_code == 200


def test_the_technician_does_not_see_the_review(records, signed_in):
    assert signed_in("technician").get(reverse("review")).status_code == 403

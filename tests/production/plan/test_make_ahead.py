"""Aligner steps ahead of visits: what is needed, what fits, and ordering it once."""

from __future__ import annotations

import datetime as dt

import pytest
from django.urls import reverse

from clinic.models import Office, OpeningHours
from clinic.templatetags.show import clock, day
from production import work
from production.jobs import JOBS
from production.models import (
    Appliance,
    Machine,
    Material,
    Order,
    RouteStage,
    Series,
    SeriesStep,
    Work,
)
from production.scheduling import ahead
from production.scheduling.ahead import outlook, what_fits
from production.scheduling.publish import make_plan
from production.selectors.office.stock import stock
from production.views.plan import timeline


@pytest.fixture
def series(aligner_series, person):
    """A series and the bench that makes its steps."""
    for code, kind in [("P", "printer"), ("W", "wash"), ("C", "cure"), ("F", "forming")]:
        Machine.objects.create(
            code=f"M-{code}", name=code, kind=kind, capacity=1 if kind == "forming" else 6
        )
    person("technician")
    return aligner_series


def test_the_next_visit_needs_its_steps_of_both_arches(series):
    found = outlook()
    first = min(n.by for n in found.needed)
    due = [n for n in found.needed if n.by == first]
    assert {(n.step.arch, n.step.number) for n in due} >= {("upper", 4), ("lower", 4)}
    assert all(n.step.number > 3 for n in found.needed)
    assert found.short == []


def test_what_is_needed_is_needed_within_open_hours(series):
    OpeningHours.objects.exclude(weekday=3).delete()  # Wednesdays only
    zone = Office.get().zone
    found = outlook().needed
    assert found
    for n in found:
        local = n.by.astimezone(zone)
        assert n.by <= n.visit
        assert local.isoweekday() == 3
        assert any(h.opens < local.time() <= h.closes for h in OpeningHours.objects.all())


def test_paused_series_and_what_is_made_already_are_left_out(series, signed_in):
    before = len(outlook().needed)
    step = outlook().needed[0].step
    signed_in("front_desk").post(reverse("weeks-order"), {"step": step.pk, "key": "a"})
    assert len(outlook().needed) == before - 1
    series.status = Series.Status.PAUSED
    series.save()
    assert outlook().needed == []


def test_ordering_twice_with_one_form_makes_one_order(series, signed_in):
    steps = [n.step.pk for n in outlook().needed[:2]]
    client = signed_in("front_desk")
    for _ in range(2):
        client.post(reverse("weeks-order"), {"step": steps, "key": "same"})
    assert Order.objects.filter(purpose="make_ahead").count() == 1
    assert Appliance.objects.count() == 2
    assert Appliance.objects.first().stage.code == "prepare"


def test_one_tick_orders_all_that_a_visit_needs(series, signed_in):
    visit = outlook().visits[0]
    assert set(visit.arches) == {"upper", "lower"}
    assert {n.by for n in visit.steps} == {visit.first.by}
    client = signed_in("front_desk")
    assert f'value="{visit.key}"' in client.get(reverse("weeks")).content.decode()
    client.post(reverse("weeks-order"), {"step": visit.key, "key": "visit"})
    assert set(Appliance.objects.values_list("step", flat=True)) == {n.step.pk for n in visit.steps}
    assert visit.key not in [v.key for v in outlook().visits]


def test_the_list_goes_by_days_and_on_when_asked(series, signed_in, monkeypatch):
    monkeypatch.setattr(timeline, "SHOWN", 1)
    series.wear_days, series.steps_per_visit = 7, 1
    series.save()
    visits = outlook().visits
    last = visits[-1].first
    page = signed_in("front_desk").get(reverse("weeks")).content.decode()
    assert page.count('class="day"') == 1
    assert f'value="{visits[-1].key}"' not in page
    address = f"{reverse('weeks')}?show={len(visits)}"
    whole = signed_in("front_desk").get(address).content.decode()
    assert f"By {day(last.by.astimezone().date())}" in whole
    assert f"visit {clock(last.visit)}" in whole
    assert "data-ticks-all" in whole
    assert "Show " not in whole
    assert "checkbox" not in signed_in("technician").get(address).content.decode()


def test_what_is_worn_before_any_visit_is_late_at_once(series, signed_in, office):
    series.next_visit_on = office.today() + dt.timedelta(days=12)
    # The fourth step begins tomorrow.
    series.started_on = office.today() - dt.timedelta(days=3 * series.wear_days - 1)
    series.save()
    page = signed_in("front_desk").get(reverse("weeks")).content.decode()
    assert "Late: needed now" in page
    assert "worn before any visit" in page


def test_weekly_visits_ask_for_a_month_of_steps_and_not_for_the_whole_series(series):
    series.wear_days, series.steps_per_visit = 7, 1
    series.steps_upper = series.steps_lower = 40
    series.started_on = series.next_visit_on - dt.timedelta(days=7 * 4)
    series.save()
    SeriesStep.objects.bulk_create(
        SeriesStep(series=series, arch=arch, number=n)
        for arch in ("upper", "lower")
        for n in range(13, 41)
    )
    # Step 4 begins on day 2, step 5 on day 9, that of the first visit; step 9 on day 37.
    asked = {n.step.number for n in outlook().needed}
    assert {4, 5, 6, 7, 8} <= asked <= {4, 5, 6, 7, 8, 9}


def test_a_bench_without_promises_bears_what_is_needed(series):
    answer = what_fits()
    assert answer.take
    assert answer.worst <= answer.limit


def test_the_planner_s_worker_tries_what_fits_while_the_page_waits(series, signed_in, monkeypatch):
    monkeypatch.setattr(ahead, "FUTURES", 100)
    client = signed_in("front_desk")
    page, state = reverse("weeks-fit"), reverse("weeks-fit-state")
    assert not Work.objects.exists()
    for _ in range(2):  # a double click
        assert client.post(page).status_code == 302
    row = Work.objects.get(kind="fit")
    assert "The planner tries" in client.get(page).content.decode()
    assert client.get(state).status_code == 204
    JOBS[row.kind].run(work.claim(row.pk))
    assert client.get(state).headers["HX-Redirect"] == page
    text = client.get(page).content.decode()
    assert "can be started today" in text
    assert " checked" in text
    assert " checked" not in client.get(reverse("weeks")).content.decode()
    Machine.objects.filter(kind="wash").update(state="down")
    text = client.get(page).content.decode()
    assert "The bench has moved on" in text
    assert " checked" not in text


def test_the_page_opens_for_those_who_see_the_bench(series, signed_in):
    for role in ("front_desk", "technician", "doctor", "manager"):
        page = signed_in(role).get(reverse("weeks"))
        assert page.status_code == 200
    assert "Which fit today" in signed_in("doctor").get(reverse("weeks")).content.decode()


def test_weeks_that_do_not_fit_are_said_early_where_people_look(series, signed_in):
    client, words = signed_in("front_desk"), "The coming weeks do not fit"
    make_plan().publish()
    assert words not in client.get(reverse("today")).content.decode()
    OpeningHours.objects.exclude(weekday=1).delete()
    OpeningHours.objects.filter(weekday=1).update(opens="08:00", closes="08:10")
    assert outlook().short
    make_plan().publish()
    for page in ("today", "timeline", "weeks"):
        assert words in client.get(reverse(page)).content.decode()


def test_the_stock_forecast_counts_the_steps_that_nobody_has_ordered_yet(series, signed_in):
    bags = Material.objects.create(kind="consumable", name="Aligner bags", per_use=2, reorder_at=1)
    bags.stages.add(RouteStage.objects.filter(kind__code="aligner").last().stage)

    def forecast() -> tuple[float, float]:
        state = next(m for m in stock() if m.material == bags)
        assert state.short == 1 + state.needed + state.ahead
        return state.needed, state.ahead

    wanted = len(outlook().needed)
    assert wanted > 2
    assert forecast() == (0, 2 * wanted)
    steps = [n.step.pk for n in outlook().needed[:2]]
    signed_in("front_desk").post(reverse("weeks-order"), {"step": steps, "key": "k"})
    assert forecast() == (4, 2 * (wanted - 2))

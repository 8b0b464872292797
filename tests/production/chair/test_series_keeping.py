"""A running series follows what the patient wears: pace, pauses, visits, a new scan."""

from __future__ import annotations

import datetime as dt

import pytest
from django.urls import reverse

from clinic.models import AuditEntry, Office, Visit
from production.actions import open_order
from production.actions.chair.keep_series import change_series, pause_series, resume_series
from production.actions.chair.take_series import start_series, take_series
from production.actions.errors import Refused
from production.models import Appliance, ApplianceKind, Order, Series, SeriesIntake
from production.scheduling.ahead import wanted_of
from production.selectors.chair.series import series_of


def days(count: int) -> dt.timedelta:
    return dt.timedelta(days=count)


@pytest.fixture
def today(office) -> dt.date:
    return office.today()


@pytest.fixture
def series(aligner_series) -> Series:
    return aligner_series


def due_on(series: Series, step: int, office) -> dt.date | None:
    found = wanted_of([series]).get((series.pk, "upper", step))
    return found.astimezone(office.zone).date() if found else None


def cells(patient, arch="upper") -> dict[int, str]:
    return {cell.number: cell.state for cell in series_of(patient, Office.get())[0].cells[arch]}


def test_what_is_worn_and_since_when(series, today):
    assert series.worn(today) == (3, today - days(2))
    series.started_on = today + days(5)
    assert series.worn(today)[0] == 0
    series.started_on = today - days(400)
    assert series.worn(today)[0] == 12


def test_a_slower_patient_keeps_the_step_in_the_mouth(series, today, person):
    change_series(
        person("front_desk"), series, worn=3, since=today - days(2), wear_days=21,
        steps_per_visit=2, next_visit_on=None,
    )  # fmt: skip
    assert series.worn(today) == (3, today - days(2))
    assert series.worn(today + days(18))[0] == 3
    assert series.worn(today + days(19))[0] == 4
    assert AuditEntry.objects.filter(action="series changed").exists()


@pytest.mark.parametrize(
    ("worn", "ahead", "words"),
    [(13, 0, "steps 1 to 12"), (0, 0, "steps 1 to 12"), (2, 3, "in the future")],
)
def test_what_cannot_be_worn_is_refused(series, today, person, worn, ahead, words):
    with pytest.raises(Refused, match=words):
        change_series(
            person("doctor"), series, worn=worn, since=today + days(ahead), wear_days=14,
            steps_per_visit=2, next_visit_on=None,
        )  # fmt: skip
    series.refresh_from_db()
    assert series.worn(today) == (3, today - days(2))


def test_a_series_that_begins_later_is_asked_for_then(series, office, today, person):
    change_series(
        person("doctor"), series, worn=1, since=today + days(20), wear_days=14,
        steps_per_visit=3, next_visit_on=None,
    )  # fmt: skip
    # With no visit known, steps are made for two days before the day they are worn.
    assert due_on(series, 1, office) == today + days(18)


def test_a_series_that_begins_today_needs_its_first_step_now(series, office, today, person):
    series.started_on, series.next_visit_on = today, None
    series.save()
    assert due_on(series, 1, office) == today
    assert due_on(series, 2, office) == today + days(12)
    assert cells(series.patient)[1] == "due"
    kind, doctor = ApplianceKind.objects.get(code="aligner"), person("doctor")
    open_order(doctor, series.patient, kind, [], steps=list(series.steps.filter(number=1)), key="a")
    assert due_on(series, 1, office) is None
    assert due_on(series, 2, office) == today + days(12)


def test_nothing_is_made_for_a_series_that_rests_until_it_goes_on(series, today, person):
    user = person("doctor")
    pause_series(user, series)
    assert wanted_of([series]) == {}
    assert series.worn(today + days(50)) == (3, today - days(2))
    series.paused_on = today - days(10)  # ten days ago: step 2 was worn then
    series.save()
    resume_series(user, series)
    assert series.worn(today) == (2, today - days(6))
    assert wanted_of([series])


def test_a_pause_with_an_end_moves_the_steps_and_ends_by_itself(series, office, today, person):
    series.next_visit_on = None
    series.save()
    before = due_on(series, 4, office)
    pause_series(person("doctor"), series, until=today + days(10))
    assert due_on(series, 4, office) == before + days(10)
    assert series.worn(today + days(9)) == (3, today - days(2))
    # Step 3 had 12 days left.
    assert series.worn(today + days(21))[0] == 3
    assert series.worn(today + days(22))[0] == 4
    assert not series.rests(today + days(10))


def test_a_pause_ends_after_today(series, today, person):
    with pytest.raises(Refused, match="after today"):
        pause_series(person("doctor"), series, until=today)
    assert series.status == Series.Status.RUNNING


def test_a_series_that_is_over_stays_over(series, person):
    Series.objects.update(status=Series.Status.FINISHED)
    for act in (pause_series, resume_series):
        with pytest.raises(Refused, match="over"):
            act(person("doctor"), series)


def test_a_visit_in_the_book_counts_before_the_day_that_the_series_names(series, office, today):
    assert due_on(series, 4, office) == today + days(9)  # the visit
    at = dt.datetime.combine(today + days(5), dt.time(10), office.zone)
    visit = Visit.objects.create(patient=series.patient, kind="aligner", starts_at=at)
    assert due_on(series, 4, office) == today + days(5)
    visit.status = Visit.Status.CANCELLED
    visit.save()
    assert due_on(series, 4, office) == today + days(9)


def test_the_picture_tells_every_step(series, office, person, today):
    kind = ApplianceKind.objects.get(code="aligner")
    steps = list(series.steps.filter(number=4))
    order = open_order(
        person("doctor"), series.patient, kind, [], steps=steps,
        purpose=Order.Purpose.MAKE_AHEAD, key="a",
    )  # fmt: skip
    made = order.appliances.get(arch="upper")
    found = cells(series.patient)
    assert [found[n] for n in (1, 3, 4, 5, 12)] == ["past", "past", "bench", "due", "later"]
    made.status = Appliance.Status.DELIVERED
    made.save()
    assert cells(series.patient)[4] == "over"
    assert cells(series.patient, "lower")[4] == "bench"
    picture = series_of(series.patient, office)[0]
    assert (picture.worn, picture.changes_on) == (3, today + days(12))
    assert [c.number for c in picture.cells["upper"] if c.worn] == [3]


def test_a_long_series_costs_no_more_queries(series, office, today, django_assert_max_num_queries):
    series.wear_days, series.started_on = 3, today - days(5)  # many steps are due
    series.save()
    with django_assert_max_num_queries(9):
        picture = series_of(series.patient, office)[0]
    assert sum(cell.state == "due" for cell in picture.cells["upper"]) > 1


def test_the_front_desk_pauses_and_changes_on_the_page(series, today, signed_in):
    client, page = signed_in("front_desk"), reverse("series", args=[series.patient.uuid])
    assert "step 3 since" in client.get(page).content.decode()
    pause = reverse("series-pause", args=[series.uuid])
    client.post(pause, {"do": "pause", "until": (today + days(20)).isoformat()})
    assert "Paused until" in client.get(page).content.decode()
    client.post(pause, {"do": "resume"})
    series.refresh_from_db()
    assert (series.status, series.paused_until) == (Series.Status.RUNNING, None)
    change = reverse("series-change", args=[series.uuid])
    assert f'value="{today - days(2)}"' in client.get(change).content.decode()
    form = {"worn": 13, "since": today, "wear_days": 14, "steps_per_visit": 3}
    refused = client.post(change, form)
    assert refused.status_code == 422
    assert "steps 1 to 12" in refused.content.decode()
    client.post(change, form | {"worn": 5})
    series.refresh_from_db()
    assert series.worn(today) == (5, today)


@pytest.fixture
def intake(series, person) -> SeriesIntake:
    """A new scan's series, checked, for the patient whose series is under way."""
    taken = take_series(person("doctor"), series.patient, [b"models"])
    arch = {"steps": [1], "first": 1, "last": 1, "missing": [], "swapped": [], "foreign": []}
    report = {"acceptable": True, "problems": [], "ignored": [], "limit_mm": 0.25,
              "arches": {"upper": arch | {"wrong_arch": [], "doubled": []}}}  # fmt: skip
    SeriesIntake.objects.update(status="checked", report=report)
    taken.refresh_from_db()
    return taken


@pytest.mark.parametrize("status", [Series.Status.RUNNING, Series.Status.PAUSED])
@pytest.mark.parametrize("give_up", [True, False])
def test_a_new_series_ends_the_one_under_way(
    series, intake, person, today, monkeypatch, status, give_up
):
    doctor, kind = person("doctor"), ApplianceKind.objects.get(code="aligner")
    steps = list(series.steps.filter(number=4))
    order = open_order(doctor, series.patient, kind, [], steps=steps, key="a")
    Series.objects.update(status=status, paused_on=today)
    monkeypatch.setattr(
        "production.actions.chair.take_series._stored_steps", lambda _: {("upper", 1): steps[0].file}
    )
    fresh = start_series(
        doctor, intake, started_on=today, wear_days=14, steps_per_visit=3, next_visit_on=None,
        give_up=give_up,
    )  # fmt: skip
    series.refresh_from_db()
    assert (series.status, fresh.refinement_of) == (Series.Status.FINISHED, series)
    assert wanted_of([series]) == {}
    left = series.steps.filter(cancelled=False).values_list("number", flat=True)
    assert set(left) == (set() if give_up else {4})
    states = set(order.appliances.values_list("status", flat=True))
    assert states == {Appliance.Status.CANCELLED if give_up else Appliance.Status.WAITING}


def test_only_who_may_cancel_is_asked_about_pieces_on_the_bench(series, intake, person, signed_in):
    page = reverse("series-intake", args=[intake.uuid])
    before = " ".join(signed_in("doctor").get(page).content.decode().split())
    assert "give_up" not in before
    # Whoever starts it is told what becomes of the one under way.
    assert "It replaces the series under way (12 upper, 12 lower steps; step 3 is worn)" in before
    kind = ApplianceKind.objects.get(code="aligner")
    steps = list(series.steps.filter(number=4, arch="upper"))
    order = open_order(person("doctor"), series.patient, kind, [], steps=steps, key="a")
    words = signed_in("doctor").get(page).content.decode()
    assert "give_up" in words
    assert order.appliances.get().code in words
    assert "give_up" not in signed_in("technician").get(page).content.decode()

"""Today: the day's visits and promises, live, in a fixed number of queries."""

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone
from freezegun import freeze_time

from clinic.models import ClosedDay, Visit
from production.actions.desk.booking import move_promise
from production.models import Appliance, Promise, Stage
from production.selectors.desk.today import today, today_version
from production.selectors.risk import likelihood

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def noon():
    """A working day at noon: two hours more or less is still the same day."""
    with freeze_time("2026-11-25 12:00:00", ignore=["numba", "_pytest.timing"]) as clock:
        yield clock


def page_of(office):
    return today(office.today(), office)


def text_of(client, **query):
    return client.get(reverse("today"), query).content.decode()


@pytest.mark.parametrize(
    ("p_late", "word", "number"),
    [
        (0.03, "On track", "97"),
        (0.07, "Tight", "93"),
        (0.32, "At risk", "68"),
        (0.80, "Likely late", "20"),
        (0.0, "On track", "&gt;\u00a099"),
        (None, "Being worked out", None),
    ],
)
def test_likelihood_is_word_picture_and_number(desk, signed_in, p_late, word, number):
    desk.promise(desk.patient(), 90, p_late=p_late)
    text = text_of(signed_in("front_desk"))
    chip = text[text.index('class="say"') :][:400]
    assert word in chip
    assert "<use href=" in chip
    if number:
        assert f"{number}\u00a0%" in chip
    else:
        assert "%" not in chip


def test_the_scale_follows_the_offices_limits(office):
    office.confidence, office.risk_limit = 0.9, 0.2
    assert likelihood(0.09, office).word == "On track"
    assert likelihood(0.19, office).word == "Tight"
    assert likelihood(0.21, office).word == "At risk"


def test_next_due_on_top_and_ready_ones_below(desk, office):
    late = desk.promise(desk.patient("A"), -12)
    soon = desk.promise(desk.patient("B"), 30)
    done = desk.promise(desk.patient("C"), 10)
    last = desk.promise(desk.patient("D"), 200)
    desk.ready(done)
    page = page_of(office)
    assert [r.promise.pk for r in page.due] == [late.pk, soon.pk, last.pk, done.pk]
    assert page.due[0].overdue
    assert page.due[-1].ready
    assert page.counts["overdue"] == 1
    assert page.counts["ready"] == 1


def test_a_promise_at_risk_shows_cause_and_rescue(desk, signed_in):
    desk.promise(
        desk.patient(),
        60,
        p_late=0.4,
        cause="Waits 25 min for the cure unit",
        rescue="Own plate now",
    )
    text = text_of(signed_in("front_desk"))
    assert "Waits 25 min for the cure unit" in text
    assert "Own plate now" in text


def test_half_ready_is_not_ready(desk, office):
    promise = desk.promise(desk.patient(), 60, arches=("upper", "lower"))
    desk.ready(promise)
    Appliance.objects.filter(order=promise.order, arch="lower").update(status="running")
    assert not page_of(office).due[0].ready


def test_yesterdays_open_promise_is_still_there(desk, office):
    desk.promise(desk.patient(), -26 * 60)
    assert page_of(office).counts["overdue"] == 1


def test_handed_over_leaves_the_list(desk, office):
    promise = desk.promise(desk.patient(), 60)
    Appliance.objects.filter(order=promise.order).update(status="delivered")
    Promise.objects.filter(pk=promise.pk).update(handed_over_at=desk.now)
    page = page_of(office)
    assert page.due == []
    assert len(page.handed_over) == 1


def test_cancelled_orders_and_old_times_do_not_show(desk, office):
    moved = desk.promise(desk.patient(), 60)
    move_promise(
        desk.desk,
        moved.order,
        desk.now + dt.timedelta(minutes=90),
        reason="Plate failed",
        told=True,
        key="m",
    )
    gone = desk.promise(desk.patient(), 60)
    gone.order.cancelled_at = desk.now
    gone.order.save()
    page = page_of(office)
    assert len(page.due) == 1
    assert page.due[0].moved


def test_who_is_in_the_chair(desk, office, signed_in):
    desk.visit(desk.patient("Kovács"), "in_chair")
    desk.visit(desk.patient("Menon"), "planned")
    page = page_of(office)
    assert [r.visit.patient.family_name for r in page.chair] == ["Kovács"]
    assert "In the chair" in text_of(signed_in("front_desk"))


def test_a_visits_line_follows_what_changes(desk, signed_in):
    patient = desk.patient()
    visit = desk.visit(patient)
    client = signed_in("front_desk")
    assert str(patient) in text_of(client)
    patient.family_name = "Renamed"
    patient.save()
    visit.note = "brings her splint"
    visit.save()
    text = text_of(client)
    assert "Renamed" in text
    assert "brings her splint" in text
    assert "Arrived" in text
    assert f'formaction="{reverse("visit-status", args=[visit.uuid])}' in text
    assert "formaction" not in text_of(signed_in("technician"))


def test_same_surname_within_the_day_is_pointed_out(desk, signed_in):
    desk.visit(desk.patient("Brandt", "Ida"))
    desk.promise(desk.patient("Brandt", "Jonas", dt.date(2011, 1, 1)), 60)
    assert text_of(signed_in("front_desk")).count("Same surname in this list") == 2


def test_a_rescan_waits_until_somebody_decides(desk, office):
    patient = desk.patient()
    bad = desk.scan(patient, "upper", "rescan")
    desk.scan(patient, "lower", "check")
    assert [s.pk for s, _ in page_of(office).scans] == [bad.pk]
    bad.acceptances.create(doctor=desk.doctor, reason="margin is fine")
    assert page_of(office).scans == []


def test_the_desk_hears_of_a_new_time_until_the_patient_knows(desk, office, signed_in):
    promise = desk.promise(desk.patient(), 60)
    moved = move_promise(
        desk.desk,
        promise.order,
        desk.now + dt.timedelta(minutes=99),
        reason="Plate failed",
        told=False,
        key="m",
    )
    assert [n.words for n in page_of(office).news] == ["Plate failed"]
    reply = signed_in("front_desk").post(
        reverse("promise-told", args=[promise.order.uuid]), {"promise": moved.pk}
    )
    assert reply.status_code == 302
    assert page_of(office).news == []


def test_an_order_without_a_time_is_pointed_out(desk, office):
    promise = desk.promise(desk.patient(), 60)
    Promise.objects.filter(pk=promise.pk).delete()
    (news,) = page_of(office).news
    assert news.untimed
    assert "without a pickup time" in news.title


def test_empty_states_say_what_to_do(office, signed_in):
    text = text_of(signed_in("front_desk"))
    assert "Nothing is promised for today" in text
    assert "No visits are booked" in text


def test_other_days(desk, signed_in):
    desk.visit(desk.patient("Menon"), at=desk.now + dt.timedelta(days=1))
    client = signed_in("front_desk")
    assert "Menon" not in text_of(client)
    assert "Menon" in text_of(client, day="2026-11-26")
    assert client.get(reverse("today"), {"day": "nonsense"}).status_code == 200


@pytest.mark.parametrize("role", ["front_desk", "technician", "doctor", "manager"])
def test_every_role_may_look(office, signed_in, role):
    assert signed_in(role).get(reverse("today")).status_code == 200


class TestLive:
    def poll(self, client, version):
        return client.get(reverse("today-live"), {"seen": version})

    def test_nothing_new_is_no_answer(self, desk, office, signed_in, person):
        desk.visit(desk.patient())
        client = signed_in("front_desk")
        version = today_version(office.today(), office, person("front_desk").pk)
        assert f"seen={version}" in text_of(client)
        assert self.poll(client, version).status_code == 204

    @pytest.mark.parametrize("change", ["visit", "status", "promise", "scan", "minute", "plan"])
    def test_a_change_is_sent(self, desk, office, signed_in, person, noon, change):
        from production.models import Plan

        patient = desk.patient()
        visit = desk.visit(patient)
        client = signed_in("front_desk")
        before = today_version(office.today(), office, person("front_desk").pk)
        if change == "visit":
            desk.visit(patient)
        elif change == "status":
            Visit.objects.filter(pk=visit.pk).update(status="arrived")
        elif change == "promise":
            desk.promise(patient)
        elif change == "scan":
            desk.scan(patient)
        elif change == "minute":
            noon.tick(61)
        else:
            Plan.objects.create(origin=desk.now, state="x", problem={}, steps=[])
        reply = self.poll(client, before)
        assert reply.status_code == 200
        assert reply.content.decode().lstrip().startswith('<div id="today-live"')

    def test_an_entity_tag_serves_too(self, office, signed_in, person):
        client = signed_in("front_desk")
        tag = client.get(reverse("today-live")).headers["ETag"]
        again = client.get(reverse("today-live"), headers={"If-None-Match": tag})
        assert again.status_code == 204


def test_queries_do_not_grow_with_the_day(desk, office, django_assert_max_num_queries):
    def fill(count):
        for i in range(count):
            patient = desk.patient(f"Name{i % 7}")
            desk.visit(patient, "arrived")
            desk.promise(patient, 30 + i, arches=("upper", "lower"), p_late=0.2)
            desk.scan(patient, verdict="rescan")

    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    fill(2)
    with CaptureQueriesContext(connection) as few:
        today(office.today(), office)
    fill(12)
    with django_assert_max_num_queries(len(few)):
        page = today(office.today(), office)
    assert len(page.due) == 14


def test_the_whole_page_takes_a_fixed_number_of_queries(
    desk, signed_in, django_assert_max_num_queries
):
    for i in range(8):
        patient = desk.patient(f"Name{i}")
        desk.visit(patient)
        desk.promise(patient, 30 + i, p_late=0.2)
    client = signed_in("front_desk")
    with django_assert_max_num_queries(30):
        assert client.get(reverse("today")).status_code == 200


def test_the_desk_hears_of_a_remake_and_gives_it_a_time(desk, office, signed_in, planner):
    from production.actions.bench.move import remake
    from production.models import RemakeCause, StageEvent

    promise = desk.promise(desk.patient(), 60)
    piece = promise.order.appliances.get()
    delivery = Stage.objects.get(code="delivery")
    StageEvent.objects.create(
        appliance=piece,
        seq=piece.seq + 1,
        action="finish",
        stage=piece.stage,
        to_stage=delivery,
        at=desk.now,
        key="ready",
    )
    Appliance.objects.filter(pk=piece.pk).update(
        seq=piece.seq + 1, stage=delivery, status="ready", ready_at=desk.now
    )
    piece.refresh_from_db()
    new = remake(desk.doctor, piece, cause=RemakeCause.objects.get(code="fit-tight"), key="again")
    (news,) = page_of(office).news
    assert "made again: does not seat" in news.title
    assert news.untimed
    assert page_of(office).due == []  # the old promise has no piece any more
    signed_in("front_desk").post(
        reverse("promise-move", args=[new.order.uuid]),
        {"due_at": "2026-11-25T17:00", "reason": "Remake", "told": "on", "key": "t"},
    )
    page = page_of(office)
    assert not page.news[0].untimed
    assert page.due[0].remade


def test_a_bag_scanned_at_the_desk_leads_to_its_hand_over(desk, signed_in):
    promise = desk.promise(desk.patient(family="Brandt"))
    code = promise.order.appliances.get().code
    client = signed_in("front_desk")
    find = reverse("find")
    on_the_bench = client.get(find, {"q": code.lower()})
    assert on_the_bench.headers["Location"] == reverse("appliance", args=[code])
    desk.ready(promise)
    assert client.get(find, {"q": code}).headers["Location"] == reverse("handover", args=[code])
    people = client.get(find, {"q": "brandt"}, follow=True).content.decode()
    assert "Brandt, Noor" in people


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01", "2026-02-30", "soon"])
def test_a_day_that_cannot_be_meant_is_today(desk, office, signed_in, day):
    page = signed_in("front_desk").get(reverse("today"), {"day": day})
    assert page.context["page"].day == office.today()


def test_a_day_that_is_closed_after_a_time_was_promised_for_it_is_passed_on(
    desk, office, signed_in
):
    promise = desk.promise(desk.patient("Menon", "Ravi"), 26 * 60)
    desk.promise(desk.patient("Ito", "Ken"), 50 * 60)
    ClosedDay.objects.create(date=office.today() + dt.timedelta(days=1), reason="Training")
    (news,) = page_of(office).news
    assert news.patient == promise.order.patient
    text = text_of(signed_in("front_desk"))
    assert "when the office is closed (Training)" in text
    assert reverse("promise-move", args=[promise.order.uuid]) in text
    Promise.objects.filter(pk=promise.pk).update(handed_over_at=timezone.now())
    assert page_of(office).news == []

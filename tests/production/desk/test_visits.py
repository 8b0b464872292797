"""Book visits and mark them with one tap; a tap on an old screen does no harm."""

import datetime as dt

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse
from django.utils import timezone

from clinic.models import AuditEntry, Visit
from clinic.visit_status import VisitMoved, recent_changes, set_visit_status
from production.models import Work

pytestmark = pytest.mark.django_db
PAST = "2026-11-25T09:40"


def tap(client, visit, to, seen, **more):
    address = reverse("visit-status", args=[visit.uuid])
    return client.post(f"{address}?seen={seen}", {"to": to, **more})


def test_book_a_debond(desk, signed_in):
    patient = desk.patient()
    client = signed_in("front_desk")
    page = reverse("visit-new", args=[patient.uuid])
    assert client.get(page).status_code == 200
    at = timezone.now() + dt.timedelta(days=1)
    desk.machines()  # and doors that are always open
    reply = client.post(page, {"kind": "debond", "starts_at": f"{at:%Y-%m-%d}T09:40", "note": ""})
    visit = patient.visits.get()
    assert reply.url == reverse("patient", args=[patient.uuid])
    assert (visit.kind, visit.status) == ("debond", "planned")
    assert f"{visit.starts_at:%H:%M}" == "09:40"


def test_the_time_is_the_offices(desk, office, signed_in):
    office.time_zone = "Asia/Tokyo"
    office.save()
    patient = desk.patient()
    signed_in("front_desk").post(
        reverse("visit-new", args=[patient.uuid]),
        {"kind": "scan", "starts_at": PAST, "note": "", "all_the_same": PAST},
    )
    assert patient.visits.get().starts_at == dt.datetime(2026, 11, 25, 0, 40, tzinfo=dt.UTC)


def test_book_then_order(desk, signed_in):
    patient = desk.patient()
    reply = signed_in("front_desk").post(
        reverse("visit-new", args=[patient.uuid]),
        {
            "kind": "debond",
            "starts_at": PAST,
            "note": "",
            "then_order": "1",
            "all_the_same": PAST,
        },
    )
    assert reply.url == reverse("booking-visit", args=[patient.visits.get().uuid])


@pytest.mark.parametrize(
    ("days", "hour", "words"), [(1, "23:50", "The office is closed"), (-1, "09:40", "is past")]
)
def test_a_time_that_looks_like_a_slip_is_asked_about_and_taken_on_a_second_word(
    desk, office, signed_in, days, hour, words
):
    patient, client = desk.patient(), signed_in("front_desk")
    page = reverse("visit-new", args=[patient.uuid])
    at = f"{office.today() + dt.timedelta(days=days):%Y-%m-%d}T{hour}"
    form = {"kind": "debond", "starts_at": at, "note": "with a friend"}
    asked = client.post(page, form)
    shown = asked.content.decode()
    assert asked.status_code == 422
    assert words in shown
    assert "with a friend" in shown
    # Another time is another question.
    assert client.post(page, form | {"all_the_same": "2026-11-25T03:00"}).status_code == 422
    assert not patient.visits.exists()
    assert client.post(page, form | {"all_the_same": at}).status_code == 302
    # Only its note is changed later: nothing is asked about the time.
    edit = reverse("visit-edit", args=[patient.visits.get().uuid])
    assert client.post(edit, form | {"note": "alone"}).status_code == 302


@pytest.mark.parametrize("at", ["", "soon", "2206-11-25T09:40"])
def test_a_time_that_cannot_be_meant(desk, signed_in, at):
    patient = desk.patient()
    reply = signed_in("front_desk").post(
        reverse("visit-new", args=[patient.uuid]), {"kind": "scan", "starts_at": at, "note": ""}
    )
    assert reply.status_code == 422
    assert not patient.visits.exists()


def test_the_days_way_with_one_tap_each(desk, signed_in):
    client = signed_in("front_desk")
    visit = desk.visit(desk.patient())
    for seen, to in [("planned", "arrived"), ("arrived", "in_chair"), ("in_chair", "done")]:
        assert tap(client, visit, to, seen).status_code == 302
        visit.refresh_from_db()
        assert visit.status == to
    assert AuditEntry.objects.filter(action="visit.status").count() == 3


def test_the_same_tap_twice_has_the_effect_of_one(desk):
    visit = desk.visit(desk.patient())
    assert set_visit_status(desk.desk, visit, "arrived", seen="planned")
    assert not set_visit_status(desk.desk, visit, "arrived", seen="planned")
    assert AuditEntry.objects.filter(action="visit.status").count() == 1


def test_a_tap_on_an_old_screen_changes_nothing(desk, signed_in):
    visit = desk.visit(desk.patient(), "done")
    with pytest.raises(VisitMoved, match="already marked “Done”"):
        set_visit_status(desk.desk, visit, "missed", seen="planned")
    tap(signed_in("front_desk"), visit, "missed", "planned")
    visit.refresh_from_db()
    assert visit.status == "done"


def test_undo_for_a_minute(desk):
    visit = desk.visit(desk.patient())
    set_visit_status(desk.desk, visit, "missed", seen="planned")
    now = timezone.now()
    assert recent_changes([visit], now) == {visit.pk: "planned"}
    assert recent_changes([visit], now + dt.timedelta(seconds=61)) == {}
    set_visit_status(desk.desk, visit, "planned", seen="missed", undo=True)
    assert recent_changes([visit], now) == {}
    assert visit.status == "planned"
    assert AuditEntry.objects.filter(action="visit.status").count() == 2


def test_from_today_the_answer_is_the_fresh_part(desk, signed_in):
    visit = desk.visit(desk.patient())
    client = signed_in("front_desk")
    reply = client.post(
        reverse("visit-status", args=[visit.uuid]) + "?seen=planned",
        {"to": "arrived"},
        headers={"HX-Request": "true"},
        follow=True,
    )
    assert reply.redirect_chain[0][0].startswith(reverse("today-live"))
    assert "Undo" in reply.content.decode()


def test_the_way_back_is_only_to_ourselves(desk, signed_in):
    client = signed_in("front_desk")
    visit = desk.visit(desk.patient())
    reply = tap(client, visit, "arrived", "planned", next="https://elsewhere.example/")
    assert reply.url == reverse("today")


def test_the_bench_plans_again_when_a_visit_with_an_order_moves(desk, signed_in):
    patient = desk.patient()
    visit = desk.visit(patient)
    desk.promise(patient).order.__class__.objects.update(visit=visit)
    Work.objects.all().delete()
    tap(signed_in("front_desk"), visit, "arrived", "planned")
    assert Work.objects.filter(kind="plan").count() == 1


def test_who_may(desk, signed_in):
    visit = desk.visit(desk.patient())
    assert tap(signed_in("technician"), visit, "arrived", "planned").status_code == 403
    with pytest.raises(PermissionDenied):
        set_visit_status(desk.technician, visit, "arrived", seen="planned")
    assert (
        signed_in("front_desk").get(reverse("visit-status", args=[visit.uuid])).status_code == 405
    )
    assert Visit.objects.get().status == "planned"

"""An order's page: move the time with a reason, cancel, tell the patient."""

import datetime as dt

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse
from django.utils import timezone

from production.actions.desk.booking import book_pickup, move_promise, patient_told
from production.actions.errors import Refused
from production.models import Order, Promise
from production.selectors.desk.order import load_order, order_page
from production.selectors.desk.patient import patient_page

pytestmark = pytest.mark.django_db


def later(hours=5):
    return timezone.now().replace(second=0, microsecond=0) + dt.timedelta(hours=hours)


def test_both_or_neither(desk):
    with pytest.raises(Refused, match="past"):
        book_pickup(
            desk.desk,
            patient=desk.patient(),
            kind=desk.retainer,
            arches=["upper"],
            due_at=timezone.now() - dt.timedelta(minutes=1),
            p_kept=0.9,
            key="k",
        )
    assert not Order.objects.exists()


def test_moving_keeps_the_old_time_on_record(desk, planner, signed_in):
    desk.machines()  # and doors that are always open
    promise = desk.promise(desk.patient(), 60)
    page = reverse("promise-move", args=[promise.order.uuid])
    client = signed_in("front_desk")
    assert client.get(page).status_code == 200
    data = {
        "due_at": f"{later():%Y-%m-%dT%H:%M}",
        "reason": "Printer failed",
        "told": "on",
        "key": "abc",
    }
    for _ in range(2):  # a double click
        assert client.post(page, data).status_code == 302
    old, new = Promise.objects.order_by("pk")
    assert old.superseded_at is not None
    assert (new.due_at, new.reason, new.superseded_at) == (later(), "Printer failed", None)
    assert new.told_at is not None
    text = client.get(reverse("order", args=[promise.order.uuid])).content.decode()
    assert "Printer failed" in text


def test_a_time_the_planner_gave_keeps_its_probability(desk, planner, signed_in):
    order = desk.promise(desk.patient(), 60).order
    signed_in("front_desk").post(
        reverse("promise-move", args=[order.uuid]),
        {"due_at": f"{planner.earliest:%Y-%m-%dT%H:%M}", "reason": "Plate failed", "key": "z"},
    )
    assert order.promises.get(superseded_at=None).p_kept_at_agreement == pytest.approx(0.96)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"reason": ""}, "Write why"),
        ({"due_at": "2020-01-01T10:00"}, "This time is past"),
        ({"due_at": ""}, "This field is required"),
    ],
)
def test_a_move_needs_reason_and_future(desk, planner, signed_in, change, words):
    order = desk.promise(desk.patient(), 60).order
    data = {"due_at": f"{later():%Y-%m-%dT%H:%M}", "reason": "Plate failed", "key": "z"}
    reply = signed_in("front_desk").post(reverse("promise-move", args=[order.uuid]), data | change)
    assert reply.status_code == 422
    assert words in reply.content.decode()
    assert order.promises.count() == 1


def test_a_time_at_which_nobody_is_there_is_taken_on_a_second_word(
    desk, office, planner, signed_in
):
    order = desk.promise(desk.patient(), 60).order
    client, page = signed_in("front_desk"), reverse("promise-move", args=[order.uuid])
    at = f"{office.today() + dt.timedelta(days=1):%Y-%m-%d}T23:50"
    form = {"due_at": at, "reason": "Patient asks for it", "key": "z"}
    asked = client.post(page, form)
    assert asked.status_code == 422
    assert "The office is closed then" in asked.content.decode()
    # Another time is another question.
    assert client.post(page, form | {"all_the_same": "2026-11-25T03:00"}).status_code == 422
    assert order.promises.count() == 1
    assert client.post(page, form | {"all_the_same": at}).status_code == 302
    assert order.promises.count() == 2


def test_a_first_time_needs_no_reason(desk, planner, signed_in):
    desk.machines()  # and doors that are always open
    order = desk.promise(desk.patient(), 60).order
    order.promises.all().delete()  # as of a remake, whose time is still to be agreed
    client, page = signed_in("front_desk"), reverse("promise-move", args=[order.uuid])
    assert "Write why" not in client.get(page).content.decode()
    reply = client.post(page, {"due_at": f"{later():%Y-%m-%dT%H:%M}", "told": "on", "key": "z"})
    assert reply.status_code == 302
    first = order.promises.get()
    assert first.told_at is not None
    # From now on a change has its reason.
    assert client.post(page, {"due_at": f"{later():%Y-%m-%dT%H:%M}", "key": "y"}).status_code == 422


def test_nothing_to_move_when_all_is_handed_over(desk):
    promise = desk.promise(desk.patient(), 60)
    promise.order.appliances.update(status="delivered")
    with pytest.raises(Refused, match="nothing to move"):
        move_promise(desk.desk, promise.order, later(), reason="late", told=True, key="k")


def test_cancel(desk, planner, signed_in):
    order = desk.promise(desk.patient(), 60, arches=("upper", "lower")).order
    client = signed_in("front_desk")
    page = reverse("order-cancel", args=[order.uuid])
    assert client.post(page, {"reason": "", "key": "c"}).status_code == 422
    for _ in range(2):
        assert client.post(page, {"reason": "Patient moved away", "key": "c"}).status_code == 302
    order.refresh_from_db()
    assert order.cancelled_at is not None
    assert set(order.appliances.values_list("status", flat=True)) == {"cancelled"}
    text = client.get(reverse("order", args=[order.uuid])).content.decode()
    assert "Patient moved away" in text
    assert "There is nothing to pick up" in text
    assert "Pickup slip" not in text
    assert "Holds" not in text
    assert "Cancel this order" not in text


def test_told_once(desk):
    promise = desk.promise(desk.patient(), 60)
    Promise.objects.filter(pk=promise.pk).update(told_at=None)
    patient_told(desk.desk, promise)
    first = Promise.objects.get(pk=promise.pk).told_at
    patient_told(desk.desk, promise)
    assert Promise.objects.get(pk=promise.pk).told_at == first


@pytest.mark.parametrize("name", ["promise-move", "order-cancel", "promise-told"])
def test_a_technician_changes_nothing_here(desk, signed_in, name):
    promise = desk.promise(desk.patient(), 60)
    reply = signed_in("technician").post(
        reverse(name, args=[promise.order.uuid]), {"promise": promise.pk, "reason": "because"}
    )
    assert reply.status_code == 403
    with pytest.raises(PermissionDenied):
        patient_told(desk.technician, promise)


def test_pages_of_a_patient_and_an_order_for_every_role(desk, planner, signed_in):
    patient = desk.patient(allergies="nickel")
    order = desk.promise(patient, 60, p_late=0.3).order
    desk.visit(patient)
    desk.scan(patient, verdict="rescan")
    for role in ("front_desk", "technician", "doctor", "manager"):
        client = signed_in(role)
        assert "nickel" in client.get(reverse("patient", args=[patient.uuid])).content.decode()
        assert client.get(reverse("order", args=[order.uuid])).status_code == 200
        assert client.get(reverse("order-agreed", args=[order.uuid])).status_code == 200


def test_no_such_order(office, signed_in, patient):
    client = signed_in("front_desk")
    for name in ("order", "promise-move", "slip", "order-agreed"):
        assert client.get(reverse(name, args=[patient.uuid])).status_code == 404


def test_a_patients_page_takes_a_fixed_number_of_queries(
    desk, office, django_assert_max_num_queries
):
    patient = desk.patient()
    for i in range(9):
        desk.promise(patient, 60 + i, arches=("upper", "lower"))
        desk.visit(patient)
        desk.scan(patient)
    with django_assert_max_num_queries(8):
        page = patient_page(patient, office)
        assert len([r.what for r in page.open_orders]) == 9
        assert all(r.promise.what for r in page.open_orders)
    number = Order.objects.first().uuid
    with django_assert_max_num_queries(4):
        assert order_page(load_order(number), office).what == "Retainer, upper + lower"

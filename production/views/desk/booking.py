"""Ask when a patient can safely come back, and agree on a time: that is the promise."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django.contrib import messages
from django.core import signing
from django.db.models import Max, Min
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from clinic.middleware import office_of
from clinic.models import Patient, Visit
from clinic.permissions import needs
from production.actions.desk.booking import book_pickup
from production.actions.errors import ActionError
from production.bench.fit import allergy_hits
from production.models import Order
from production.selectors.desk.patient import orders_of
from production.selectors.desk.quotes import Answer, ask
from production.views.desk.forms import BookingForm

SALT = "pickup-offer"
OFFER_SECONDS = 15 * 60
SHOWN = 4


@needs("order")
def booking(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Book for a patient without a visit of the day; ``?again=ORDER`` fills in an earlier order."""
    patient = get_object_or_404(Patient, uuid=uuid)
    return _booking(request, patient, None)


@needs("order")
def booking_visit(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Book for a visit: the scan is had when the patient sits in the chair."""
    visit = get_object_or_404(Visit.objects.select_related("patient"), uuid=uuid)
    return _booking(request, visit.patient, visit)


def _booking(request: HttpRequest, patient: Patient, visit: Visit | None) -> HttpResponse:
    user: Any = request.user
    if request.method != "POST":
        form = BookingForm(patient, visit, user, initial=_again(request, patient))
        return _page(request, form)
    form = BookingForm(patient, visit, user, request.POST)
    if not form.is_valid():
        return _answer(request, form, None, status=422)
    if "due_at" in request.POST:
        return _agree(request, form)
    return _answer(request, form, _ask(form))


def _again(request: HttpRequest, patient: Patient) -> dict[str, Any]:
    """Fill the form from an earlier order: what was lost is made again in two clicks."""
    try:
        number = uuid.UUID(request.GET.get("again", ""))
    except ValueError:
        return {}
    order = Order.objects.filter(uuid=number, patient=patient).first()
    if order is None:
        return {}
    arches = set(order.appliances.values_list("arch", flat=True))
    steps = order.appliances.aggregate(first=Min("step__number"), last=Max("step__number"))
    return {
        "first_step": steps["first"],
        "last_step": steps["last"],
        "kind": order.kind,
        "arches": "both" if len(arches) != 1 else arches.pop(),
        "purpose": Order.Purpose.REPLACEMENT,
        "sheet": order.sheet,
        "prescriber": order.prescriber,
        "characteristics": order.characteristics,
        "use_scans": True,
        "ready_from": timezone.localtime().replace(second=0, microsecond=0),
    }


def _ask(form: BookingForm) -> Answer:
    data = form.cleaned_data
    return ask(
        data["kind"],
        form.pieces(),
        data["ready_from"],
        own_time=data.get("own_time"),
        scanned=form.scanned(),
        sheet=data.get("sheet"),
    )


def _agree(request: HttpRequest, form: BookingForm) -> HttpResponse:
    """Open order and promise, if the time was offered for exactly this order."""
    user: Any = request.user
    try:
        offered = signing.loads(request.POST.get("offer", ""), salt=SALT, max_age=OFFER_SECONDS)
    except signing.BadSignature:
        return _answer(request, form, _ask(form), stale="The answer is too old. Here is a new one.")
    if offered["question"] != form.question():
        words = "The order was changed after the answer. Here is the answer for it now."
        return _answer(request, form, _ask(form), stale=words)
    due_text = request.POST["due_at"]
    if due_text not in offered["times"]:
        return _answer(request, form, _ask(form), stale="Choose one of the times shown.")
    try:
        promise = book_pickup(
            user,
            due_at=dt.datetime.fromisoformat(due_text),
            p_kept=offered["times"][due_text],
            hold_until=_moment(offered.get("holds", {}).get(due_text)),
            key=f"book:{offered['key']}",
            **form.order(),
        )
    except ActionError as error:
        return _answer(request, form, _ask(form), stale=str(error))
    messages.success(request, "Agreed.")
    return redirect("order-agreed", promise.order.uuid)


def _sign(form: BookingForm, answer: Answer) -> str:
    """Seal what was offered: the record holds the probability shown, and what it rests on."""
    times = {o.at.isoformat(): o.p_kept for o in answer.choices}
    holds = {o.at.isoformat(): o.hold_until.isoformat() for o in answer.choices if o.hold_until}
    return signing.dumps(
        {"question": form.question(), "times": times, "holds": holds, "key": uuid.uuid4().hex},
        salt=SALT,
    )


def _moment(text: str | None) -> dt.datetime | None:
    return None if text is None else dt.datetime.fromisoformat(text)


def _answer(
    request: HttpRequest,
    form: BookingForm,
    answer: Answer | None,
    *,
    stale: str = "",
    status: int = 200,
) -> HttpResponse:
    material = form.cleaned_data.get("sheet") if form.is_bound else None
    context = {
        "answer": answer,
        "stale": stale,
        "offer": _sign(form, answer) if answer and answer.choices else "",
        "allergies": allergy_hits(form.patient.allergies, material.allergens) if material else [],
    }
    if request.htmx:  # type: ignore[attr-defined]
        return render(request, "booking/_answer.html", context | {"form": form}, status=status)
    return _page(request, form, status=422 if stale or status == 422 else 200, **context)


def _page(
    request: HttpRequest, form: BookingForm, *, status: int = 200, **context: Any
) -> HttpResponse:
    orders = orders_of(form.patient, office_of(request), timezone.now())
    return render(
        request,
        "booking/ask.html",
        {
            "form": form,
            "patient": form.patient,
            "visit": form.visit,
            "under_way": [order for order in orders if order.open][:SHOWN],
            **context,
        },
        status=status,
    )

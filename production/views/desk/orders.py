"""An order and its promise: look, move the time, tell the patient, cancel."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from clinic.middleware import office_of
from clinic.permissions import needs
from production.actions.desk.booking import move_promise, patient_told
from production.actions.desk.cancelling import cancel_order
from production.actions.desk.prescribing import change_prescription
from production.actions.errors import ActionError
from production.models import Order, Promise
from production.scheduling.hours import is_open
from production.selectors.desk.order import OrderPage, load_order, order_page
from production.selectors.desk.quotes import Answer, again, chance, hold
from production.views.desk.forms import CancelForm, MoveForm, PrescriptionForm


def _load(request: HttpRequest, number: uuid.UUID) -> OrderPage:
    order = load_order(number)
    if order is None:
        raise Http404
    return order_page(order, office_of(request))


@needs("see_patients")
def order(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """The order's page."""
    return _page(request, _load(request, uuid))


@needs("see_patients")
def order_agreed(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """The confirmation, big enough to turn the screen to the patient."""
    page = _load(request, uuid)
    if page.standing is None:
        return redirect("order", uuid)
    return render(request, "booking/agreed.html", {"page": page, "patient": page.order.patient})


@needs("book")
def promise_move(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Agree on another time, with the reason."""
    page = _load(request, uuid)
    if not page.open:
        messages.warning(request, "Nothing of this order is open, so there is no time to move.")
        return redirect("order", uuid)
    form = MoveForm(request.POST or None)
    if page.standing:
        form.fields["due_at"].initial = page.standing.promise.due_at
    else:
        form.for_a_first_time()
    offer = again(page.order)
    valid = request.method == "POST" and form.is_valid()
    closed = valid and _closed(request, form.cleaned_data["due_at"], offer)
    if valid and not closed:
        user: Any = request.user
        data = form.cleaned_data
        try:
            move_promise(
                user,
                page.order,
                data["due_at"],
                reason=data["reason"],
                told=data["told"],
                p_kept=chance(offer, data["due_at"]),
                hold_until=hold(offer, data["due_at"]),
                key=f"move:{_key(request)}",
            )
        except ActionError as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, "The new time is agreed.")
            return redirect("order", uuid)
    return render(
        request,
        "booking/move.html",
        {
            "page": page,
            "patient": page.order.patient,
            "form": form,
            "closed": closed,
            "offer": offer,
            "key": _key(request),
        },
        status=422 if request.method == "POST" else 200,
    )


def _closed(request: HttpRequest, at: dt.datetime, offer: Answer) -> bool:
    """Whether nobody would be there at a time that people chose and did not yet insist on."""
    # “All the same” is meant for one time only: with another one it is asked again.
    meant = request.POST.get("all_the_same") == request.POST.get("due_at")
    if meant or chance(offer, at) is not None:
        return False
    return not is_open(office_of(request), at)


@require_POST
@needs("book")
def promise_told(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """The patient has heard of the time; from Today the answer is the refreshed live part."""
    user: Any = request.user
    promise = get_object_or_404(
        Promise, order__uuid=uuid, pk=_number(request.POST.get("promise")), superseded_at=None
    )
    patient_told(user, promise)
    if request.htmx:  # type: ignore[attr-defined]
        return redirect("today-live")
    return redirect("order", uuid)


@needs("order")
def prescription(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Change what the order asks for."""
    page = _load(request, uuid)
    if not page.open:
        messages.warning(request, "Nothing of this order is being made any more.")
        return redirect("order", uuid)
    user: Any = request.user
    form = PrescriptionForm(page.order, user, request.POST or None)
    if request.method == "POST" and form.is_valid():
        seen = _number(request.POST.get("seen"))
        try:
            changed = change_prescription(user, page.order, seen=seen, **form.cleaned_data)
        except ActionError as error:
            form.add_error(None, str(error))
        else:
            words = "Changed; the bench sees it at once. Print the travelers again."
            messages.success(request, words if changed else "Nothing was changed.")
            return redirect("order", uuid)
    context = {"page": page, "patient": page.order.patient, "form": form}
    status = 422 if request.method == "POST" else 200
    return render(request, "booking/prescription.html", context, status=status)


@require_POST
@needs("order")
def order_cancel(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Cancel what is open of an order."""
    found = get_object_or_404(Order, uuid=uuid)
    user: Any = request.user
    form = CancelForm(request.POST)
    if not form.is_valid():
        return _page(request, _load(request, uuid), cancel=form, status=422)
    try:
        cancel_order(user, found, note=form.cleaned_data["reason"], key=f"cancel:{_key(request)}")
    except ActionError as error:
        form.add_error(None, str(error))
        return _page(request, _load(request, uuid), cancel=form, status=422)
    messages.success(request, "The order is cancelled.")
    return redirect(reverse("order", args=[uuid]))


def _page(
    request: HttpRequest, page: OrderPage, *, cancel: CancelForm | None = None, status: int = 200
) -> HttpResponse:
    context = {
        "page": page,
        "patient": page.order.patient,
        "cancel": cancel or CancelForm(),
        "key": _key(request),
    }
    return render(request, "booking/order.html", context, status=status)


def _key(request: HttpRequest) -> str:
    """Return the form's idempotency key: the posted one when a form is shown again."""
    return request.POST.get("key") or uuid.uuid4().hex


def _number(text: str | None) -> int:
    if text is None or not text.isdecimal():
        raise Http404
    return int(text)

"""Book, move and mark visits; here, because the bench plans by them."""

from __future__ import annotations

import datetime as dt
import uuid

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

from clinic.forms import VisitForm
from clinic.middleware import office_of
from clinic.models import Office, Patient, Visit, record
from clinic.permissions import needs
from clinic.templatetags.show import clock
from clinic.visit_status import VisitMoved, set_visit_status
from production import work
from production.scheduling.hours import open_spans


def back_to(request: HttpRequest, otherwise: str) -> str:
    """Return the posted ``next`` when it is an address of ours, else ``otherwise``."""
    target = request.POST.get("next", "")
    ours = url_has_allowed_host_and_scheme(
        target, {request.get_host()}, require_https=request.is_secure()
    )
    return target if target and ours else otherwise


@needs("book")
def visit_new(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Book a visit for a patient."""
    patient = get_object_or_404(Patient, uuid=uuid)
    soon = timezone.localtime() + dt.timedelta(minutes=5)
    soon -= dt.timedelta(minutes=soon.minute % 5, seconds=soon.second)
    visit = Visit(patient=patient, starts_at=soon)
    return _edit(request, visit, "visit.booked")


@needs("book")
def visit_edit(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Move or correct a visit."""
    visit = get_object_or_404(Visit.objects.select_related("patient"), uuid=uuid)
    return _edit(request, visit, "visit.changed")


def _edit(request: HttpRequest, visit: Visit, action: str) -> HttpResponse:
    form = VisitForm(request.POST or None, instance=visit)
    odd = ""
    valid = request.method == "POST" and form.is_valid()
    # “All the same” is meant for one time only: with another one it is asked again.
    meant = request.POST.get("all_the_same") == request.POST.get("starts_at")
    if valid and not meant and "starts_at" in form.changed_data:
        odd = _odd(form.cleaned_data["starts_at"], office_of(request))
    if valid and not odd:
        with transaction.atomic():
            saved = form.save()
            record(request.user, action, saved, fields=sorted(form.changed_data))  # type: ignore[arg-type]
            if saved.orders.filter(cancelled_at=None).exists():
                work.ask("plan", coalesce=True)
        messages.success(request, "The visit is in the book.")
        if "then_order" in request.POST:
            return redirect("booking-visit", saved.uuid)
        return redirect("patient", saved.patient.uuid)
    return render(
        request,
        "patients/visit.html",
        {"form": form, "visit": visit if visit.pk else None, "patient": visit.patient, "odd": odd},
        status=422 if request.method == "POST" else 200,
    )


def _odd(at: dt.datetime, office: Office) -> str:
    """Return what makes a time look like a slip, such as morning for evening; mostly nothing."""
    local = at.astimezone(office.zone)
    if local.date() < office.today():
        return f"{clock(at)} is past."
    if not any(start <= at < end for start, end in open_spans(office, at, 1)):
        return f"The office is closed {clock(at)}."
    return ""


@require_POST
@needs("book")
def visit_status(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Mark a visit with one tap; from Today the answer is the refreshed live part.

    The address says what the reader saw (``?seen=``) and whether this takes a mark back
    (``&undo=1``): one form holds the buttons of a whole day.
    """
    visit = get_object_or_404(Visit.objects.select_related("patient"), uuid=uuid)
    try:
        with transaction.atomic():
            changed = set_visit_status(
                request.user,  # type: ignore[arg-type]
                visit,
                request.POST.get("to", ""),
                seen=request.GET.get("seen", ""),
                undo=request.GET.get("undo") == "1",
            )
            if changed and visit.orders.filter(cancelled_at=None).exists():
                work.ask("plan", coalesce=True)
    except (VisitMoved, ValueError) as error:
        messages.warning(request, str(error))
    if request.htmx:  # type: ignore[attr-defined]
        day = timezone.localtime(visit.starts_at).date()
        return redirect(f"{reverse('today-live')}?day={day}")
    return redirect(back_to(request, reverse("today")))

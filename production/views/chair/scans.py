"""The chairside pages: drop the scans, see the verdict, decide."""

from __future__ import annotations

import json
import uuid
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from clinic.models import Patient, User, record
from clinic.permissions import needs
from production import work
from production.actions.chair.accept_scan import accept_scan
from production.actions.chair.confirm_margin import confirm_margin as record_margin
from production.actions.chair.set_aside_scan import set_aside_scan, take_back_scan
from production.actions.chair.take_back_acceptance import take_back_acceptance
from production.actions.errors import Refused
from production.models import Appliance, Scan, Work
from production.models.scans import Arch
from production.selectors.chair import scans as select
from production.views.live import live, version_of


@needs("see_scans")
def chair(request: HttpRequest, patient: uuid.UUID) -> HttpResponse:
    """Show the page at the chair for one patient."""
    whose = get_object_or_404(Patient, uuid=patient)
    visit = (
        whose.visits.filter(starts_at__date=timezone.localdate())
        .exclude(status__in=["cancelled", "missed"])
        .order_by("starts_at")
        .first()
    )
    return render(
        request,
        "chair/chair.html",
        {
            "patient": whose,
            "visit": visit,
            "arches": Arch.choices,
            **_live(whose),
        },
    )


@needs("see_scans")
def scans(request: HttpRequest, patient: uuid.UUID) -> HttpResponse:
    """The live list of the patient's scans."""
    whose = get_object_or_404(Patient, uuid=patient)
    return live(
        request,
        select.version(whose),
        lambda: render(request, "chair/scans.html", {"patient": whose, **_live(whose)}),
    )


def _live(whose: Patient) -> dict[str, Any]:
    """Return what changes on the page by itself: the scans, and what is made from them."""
    return {
        "version": select.version(whose),
        "scans": select.of_patient(whose),
        "appliances": Appliance.objects.filter(order__patient=whose)
        .select_related("kind", "stage", "order")
        .order_by("-pk")[:6],
    }


@needs("see_scans")
def scan(request: HttpRequest, scan: uuid.UUID) -> HttpResponse:
    """One scan: the arch to turn, the findings beside it, the decision."""
    return render(request, "chair/scan.html", _scan_context(scan))


@needs("see_scans")
def scan_state(request: HttpRequest, scan: uuid.UUID) -> HttpResponse:
    """Findings and decision of one scan, live."""
    context = _scan_context(scan)
    return live(
        request,
        str(context["version"]),
        lambda: render(request, "chair/scan_state.html", context),
    )


@needs("accept_scan")
@require_POST
def accept(request: HttpRequest, scan: uuid.UUID) -> HttpResponse:
    """Record a doctor's acceptance."""
    found = get_object_or_404(Scan, uuid=scan)
    assert isinstance(request.user, User)
    problem = ""
    try:
        accept_scan(request.user, found, request.POST.get("reason", ""))
    except ValidationError as error:
        problem = error.messages[0]
    if request.headers.get("HX-Request"):
        context = _scan_context(scan) | {"problem": problem}
        return render(request, "chair/scan_state.html", context, status=422 if problem else 200)
    if problem:
        return render(request, "chair/scan.html", _scan_context(scan) | {"problem": problem})
    return redirect("scan", scan=scan)


@needs("accept_scan")
@require_POST
def take_back(request: HttpRequest, scan: uuid.UUID) -> HttpResponse:
    """Take back the acceptance of a scan."""
    found = get_object_or_404(Scan, uuid=scan)
    assert isinstance(request.user, User)
    reason = request.POST.get("reason", "")
    try:
        take_back_acceptance(request.user, found, reason)
    except Refused as error:
        context = _scan_context(scan) | {"back_problem": error.words, "typed": reason}
        return render(request, "chair/scan.html", context, status=422)
    return redirect("scan", scan=scan)


@needs("upload_scans")
@require_POST
def again(request: HttpRequest, scan: uuid.UUID) -> HttpResponse:
    """Start an inspection that failed once more."""
    found = get_object_or_404(Scan, uuid=scan)
    with transaction.atomic():
        row = Work.objects.filter(kind="inspect", subject_id=found.pk).order_by("-pk").first()
        if row and row.status == Work.Status.FAILED:
            Scan.objects.filter(pk=found.pk).update(status=Scan.Status.WAITING, problem="")
            work.retry(row)
            assert isinstance(request.user, User)
            record(request.user, "inspection asked for again", found)
    return redirect("scan", scan=scan)


@needs("upload_scans")
@require_POST
def set_aside(request: HttpRequest, scan: uuid.UUID) -> HttpResponse:
    """Set a scan aside that is another patient's or arch's, or take it back."""
    found = get_object_or_404(Scan, uuid=scan)
    assert isinstance(request.user, User)
    try:
        if request.POST.get("back"):
            take_back_scan(request.user, found)
        else:
            set_aside_scan(request.user, found, request.POST.get("reason", ""))
    except Refused as error:
        context = _scan_context(scan) | {"aside_problem": error.words}
        return render(request, "chair/scan.html", context, status=422)
    return redirect("scan", scan=scan)


@needs("upload_scans")
@require_POST
def confirm_margin(request: HttpRequest, scan: uuid.UUID) -> HttpResponse:
    """Record that a person confirmed the margin line, or marked where it really is."""
    found = get_object_or_404(Scan, uuid=scan)
    assert isinstance(request.user, User)
    problem = ""
    try:
        points = json.loads(request.POST.get("points") or "[]")
        record_margin(request.user, found, [[float(c) for c in p][:3] for p in points])
    except Refused as error:
        problem = error.words
    except (ValueError, TypeError):
        problem = "The marks could not be read; load the page and mark again."
    if problem or request.headers.get("HX-Request"):
        page = "scan_state" if request.headers.get("HX-Request") else "scan"
        context = _scan_context(scan) | {"margin_problem": problem}
        return render(request, f"chair/{page}.html", context, status=422 if problem else 200)
    return redirect("scan", scan=scan)


def _scan_context(key: uuid.UUID) -> dict[str, object]:
    found = get_object_or_404(
        Scan.objects.select_related(
            "patient", "view", "picture", "file", "uploaded_by", "set_aside_by"
        ),
        uuid=key,
    )
    view = select.views(Scan.objects.filter(pk=found.pk))[0]
    report = found.report or {}
    made = select.made_from(found)
    return {
        "scan": found,
        "view": view,
        "report": report,
        "patient": found.patient,
        "made": made,
        "version": version_of(
            found.status,
            found.verdict,
            found.margin_confirmed and found.margin_confirmed.get("at"),
            found.comparing,
            found.set_aside_at,
            [(a.pk, a.taken_back_at) for a in view.scan.acceptances.all()],
            [(a.code, a.seq) for a in made],
            view.work and (view.work.status, view.work.attempts, view.waits_long),
        ),
    }

"""Find, add and correct patients. The page of one patient is production's: it shows appliances."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from clinic.forms import PatientForm
from clinic.models import Patient, record
from clinic.names import near_names
from clinic.permissions import needs
from clinic.search import find_patients

SHOWN = 50


@needs("see_patients")
def patients(request: HttpRequest) -> HttpResponse:
    """The search page; with htmx only the list, as the person types."""
    query = request.GET.get("q", "")[:120]
    found, count = find_patients(query, SHOWN)
    warnings = near_names(found) if query.strip() else {}
    context: dict[str, Any] = {
        "query": query.strip(),
        "rows": [(p, warnings.get(p.pk, "")) for p in found],
        "count": count,
        "more": count - len(found),
    }
    part = request.htmx and not request.htmx.boosted  # type: ignore[attr-defined]
    return render(request, "patients/_found.html" if part else "patients/list.html", context)


@needs("edit_patients")
def patient_new(request: HttpRequest) -> HttpResponse:
    """Add a patient; a possible double is shown first and saved only on a second word."""
    return _edit(request, Patient(), "patient.added")


@needs("edit_patients")
def patient_edit(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Correct a patient's record."""
    return _edit(request, get_object_or_404(Patient, uuid=uuid), "patient.changed")


def _edit(request: HttpRequest, patient: Patient, action: str) -> HttpResponse:
    form = PatientForm(request.POST or None, instance=patient)
    double = None
    if request.method == "POST" and form.is_valid():
        double = form.same_person()
        if double is None or request.POST.get("not_a_double") == str(double.uuid):
            with transaction.atomic():
                saved = form.save()
                # The trail names the fields, never what is in them.
                record(request.user, action, saved, fields=sorted(form.changed_data))  # type: ignore[arg-type]
            messages.success(request, "Saved.")
            return redirect("patient", saved.uuid)
    status = 422 if request.method == "POST" else 200
    return render(
        request,
        "patients/edit.html",
        {"form": form, "patient": patient if patient.pk else None, "double": double},
        status=status,
    )

"""The page of one patient."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from clinic.middleware import office_of
from clinic.models import Patient
from clinic.permissions import needs
from production.selectors.desk.patient import patient_page


@needs("see_patients")
def patient(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """Visits, scans, orders, appliances, promises and series of one patient."""
    person = get_object_or_404(Patient, uuid=uuid)
    page = patient_page(person, office_of(request))
    return render(request, "patients/page.html", {"page": page, "patient": person})

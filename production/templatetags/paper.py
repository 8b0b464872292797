"""A patient's name on a paper."""

from __future__ import annotations

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from clinic.models import Patient
from production.documents.fonts import unprintable

register = template.Library()


@register.filter
def on_paper(patient: Patient, first: str = "family") -> str | SafeString:
    """Name the patient; by the chart where no font here has the name's script.

    A row of empty boxes would be the same for everybody, and is no identifier.
    """
    name = f"{patient.family_name}, {patient.given_name}"
    if first == "given":
        name = f"{patient.given_name} {patient.family_name}"
    if not unprintable(name):
        return name
    return format_html('<span class="unprinted">Chart {}</span>', patient.chart_number)

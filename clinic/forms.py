"""Forms of the office's own records: patients and visits."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils import timezone

from clinic.models import Office, Patient, Visit
from clinic.search import read_date

__all__ = ["LocalDateTimeField", "PatientForm", "PlainLabels", "VisitForm", "birthday_fault"]

OLDEST_YEARS = 120


def birthday_fault(date: dt.date, today: dt.date) -> str:
    """Say why nobody who is treated today was born then; "" for a date that may be."""
    if date > today:
        return "This date is in the future. Check the year."
    if date.year < today.year - OLDEST_YEARS:
        return f"This date is more than {OLDEST_YEARS} years ago. Check the year."
    return ""


class PlainLabels:
    """Labels without a colon after them."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)


class LocalDateTimeField(forms.DateTimeField):
    """A date and time on the office's clock, with the browser's own picker."""

    widget = forms.DateTimeInput

    def __init__(self, **options: Any) -> None:
        options.setdefault(
            "input_formats", ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"]
        )
        options.setdefault(
            "error_messages",
            {"invalid": "Give a date and a time, such as 2026-11-25 09:40."},
        )
        options.setdefault(
            "widget", forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
        )
        super().__init__(**options)


class BirthDateField(forms.DateField):
    """A date of birth in any common way of writing it, day first or year first."""

    def to_python(self, value: Any) -> dt.date | None:
        """Read the text; say how to write it when it cannot be read."""
        if value in self.empty_values:
            return None
        if isinstance(value, dt.date):
            return value
        date = read_date(str(value))
        if date is None:
            raise forms.ValidationError(
                "This is no date. Write it as 17 Apr 2009 or 2009-04-17; check that the month has "
                "such a day."
            )
        return date


class PatientForm(PlainLabels, forms.ModelForm):
    """A patient's identifiers, allergies and how to reach them."""

    date_of_birth = BirthDateField(
        help_text="Such as 17 Apr 2009 or 2009-04-17.",
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"autocomplete": "off"}),
    )

    class Meta:
        model = Patient
        fields = [
            "chart_number",
            "family_name",
            "given_name",
            "date_of_birth",
            "phone",
            "allergies",
            "note",
        ]
        labels = {"allergies": "Allergies", "phone": "Telephone", "note": "Note"}
        help_texts = {
            "chart_number": "Letters, digits, dashes. Two patients never share one.",
            "allergies": "Materials above all: acrylates, latex, nickel. Empty means none known.",
        }
        error_messages = {
            "chart_number": {
                "unique": "Another patient has this chart number. Search for it first."
            }
        }
        widgets = {
            "allergies": forms.Textarea(attrs={"rows": 2}),
            "note": forms.Textarea(attrs={"rows": 2}),
            "phone": forms.TextInput(attrs={"type": "tel", "autocomplete": "off"}),
            "given_name": forms.TextInput(attrs={"autocomplete": "off"}),
            "family_name": forms.TextInput(attrs={"autocomplete": "off"}),
            "chart_number": forms.TextInput(attrs={"autocomplete": "off"}),
        }

    def clean_chart_number(self) -> str:
        """Refuse a number that differs from another only by case or blanks."""
        number = " ".join(self.cleaned_data["chart_number"].split())
        others = Patient.objects.filter(chart_number__iexact=number).exclude(pk=self.instance.pk)
        if others.exists():
            raise forms.ValidationError(
                "Another patient has this chart number. Search for it first."
            )
        return number

    def clean_date_of_birth(self) -> dt.date:
        """Refuse a birthday in the future or beyond any living memory."""
        date: dt.date = self.cleaned_data["date_of_birth"]
        fault = birthday_fault(date, timezone.localdate())
        if fault:
            raise forms.ValidationError(fault)
        return date

    def same_person(self) -> Patient | None:
        """Return a patient already on record with the same name and date of birth, if any."""
        data = self.cleaned_data
        if not {"family_name", "given_name", "date_of_birth"} <= data.keys():
            return None
        return (
            Patient.objects.filter(
                family_name__iexact=data["family_name"],
                given_name__iexact=data["given_name"],
                date_of_birth=data["date_of_birth"],
            )
            .exclude(pk=self.instance.pk)
            .first()
        )


class VisitForm(PlainLabels, forms.ModelForm):
    """An appointment: what for, and when."""

    starts_at = LocalDateTimeField(label="Date and time")

    class Meta:
        model = Visit
        fields = ["kind", "starts_at", "note"]
        labels = {"kind": "What for", "note": "Note"}
        widgets = {"kind": forms.RadioSelect}

    def clean_starts_at(self) -> dt.datetime:
        """Refuse a date so far off that the year must be a slip."""
        at = self.cleaned_data["starts_at"]
        today = Office.get().today()
        day = timezone.localtime(at).date()
        if abs((day - today).days) > 3 * 366:
            raise forms.ValidationError("This is more than three years away. Check the year.")
        return at

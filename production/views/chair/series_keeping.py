"""What is worn of an aligner series: change it, pause it, let it go on."""

from __future__ import annotations

import uuid

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from clinic.middleware import office_of
from clinic.models import User
from clinic.permissions import needs
from production.actions.chair.keep_series import change_series, pause_series, resume_series
from production.actions.errors import ActionError
from production.models import Series
from production.views.chair.series import DATE


class ChangeForm(forms.Form):
    """How the series is worn from now on."""

    worn = forms.IntegerField(min_value=1, max_value=200, label="Step worn now")
    since = forms.DateField(widget=DATE, label="Worn since")
    wear_days = forms.IntegerField(min_value=3, max_value=60, label="Days per step")
    steps_per_visit = forms.IntegerField(min_value=1, max_value=20)
    next_visit_on = forms.DateField(
        widget=DATE,
        required=False,
        help_text="Counts until an aligner visit is in the book.",
    )


class PauseForm(forms.Form):
    """How long it rests."""

    until = forms.DateField(required=False, widget=DATE)


@needs("order")
def change(request: HttpRequest, series: uuid.UUID) -> HttpResponse:
    """Change pace, step and next visit of a series under way."""
    row = _series(series)
    worn, since = row.worn(office_of(request).today())
    begins = since if worn else row.started_on
    form = ChangeForm(
        request.POST or None,
        initial={
            "worn": max(worn, 1),
            "since": begins,
            "wear_days": row.wear_days,
            "steps_per_visit": row.steps_per_visit,
            "next_visit_on": row.next_visit_on,
        },
    )
    if request.method == "POST" and form.is_valid():
        assert isinstance(request.user, User)
        try:
            change_series(request.user, row, **form.cleaned_data)
        except ActionError as error:
            form.add_error(None, error.words)
        else:
            messages.success(request, "Changed. The steps are needed by the new days.")
            return redirect("series", patient=row.patient.uuid)
    status = 422 if request.method == "POST" else 200
    context = {"form": form, "series": row, "patient": row.patient}
    return render(request, "series/change.html", context, status=status)


@needs("order")
@require_POST
def pause(request: HttpRequest, series: uuid.UUID) -> HttpResponse:
    """Pause a series, until a day if it is known, or let a paused one go on where it stopped."""
    row = _series(series)
    form = PauseForm(request.POST)
    assert isinstance(request.user, User)
    try:
        if request.POST.get("do") == "resume":
            resume_series(request.user, row)
            messages.success(request, "The series goes on where it stopped.")
        elif form.is_valid():
            pause_series(request.user, row, until=form.cleaned_data["until"])
            messages.success(request, "The series rests: nothing is made ahead for it.")
        else:
            messages.error(request, "Choose a day, or leave it open.", extra_tags="bad")
    except ActionError as error:
        messages.error(request, error.words, extra_tags="bad")
    return redirect("series", patient=row.patient.uuid)


def _series(key: uuid.UUID) -> Series:
    return get_object_or_404(Series.objects.select_related("patient"), uuid=key)

"""Aligner series: take in the step models, look at the check, start."""

from __future__ import annotations

import uuid

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from clinic.middleware import office_of
from clinic.models import Patient, User
from clinic.permissions import may, needs
from production.actions.chair.take_series import (
    begun,
    exchange_steps,
    number_as_named,
    start_series,
    take_series,
    under_way_of,
)
from production.actions.errors import ActionError
from production.models import Appliance, SeriesIntake
from production.selectors.chair.series import series_of
from production.selectors.chair.steps import movement_bars
from production.views.live import live, version_of

DATE = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class StartForm(forms.Form):
    """How the series is worn."""

    started_on = forms.DateField(widget=DATE, label="First step worn from")
    wear_days = forms.IntegerField(min_value=3, max_value=60, initial=14, label="Days per step")
    steps_per_visit = forms.IntegerField(min_value=1, max_value=20, initial=4)
    next_visit_on = forms.DateField(widget=DATE, required=False)
    accepted = forms.BooleanField(
        required=False, label="I have looked at the problems and start all the same"
    )
    give_up = forms.BooleanField(required=False)

    def ask_what_becomes_of(self, pieces: list[Appliance], may_cancel: bool) -> None:
        """Offer to cancel the earlier series' pieces on the bench; ask nothing without any."""
        if not pieces or not may_cancel:
            del self.fields["give_up"]
            return
        codes = ", ".join(p.code for p in pieces)
        self.fields["give_up"].label = f"Cancel what is on the bench of the series before: {codes}"


@needs("see_patients")
def series(request: HttpRequest, patient: uuid.UUID) -> HttpResponse:
    """Show a patient's series and what was taken in."""
    whose = get_object_or_404(Patient, uuid=patient)
    found = series_of(whose, office_of(request))
    return render(
        request,
        "series/series.html",
        {
            "patient": whose,
            "series": [item for item in found if not item.over],
            "earlier": [item for item in found if item.over],
            "intakes": whose.series_intakes.select_related("taken_by", "series"),
        },
    )


@needs("upload_scans")
@require_POST
def take(request: HttpRequest, patient: uuid.UUID) -> HttpResponse:
    """Take in a ZIP."""
    whose = get_object_or_404(Patient, uuid=patient)
    file = request.FILES.get("file")
    assert isinstance(request.user, User)
    if file is None or not str(file.name).lower().endswith(".zip"):
        messages.error(request, "Choose a ZIP file with one model for each arch and step.")
        return redirect("series", patient=patient)
    if (file.size or 0) > 4 * settings.SCAN_MAX_BYTES:
        messages.error(request, "The ZIP is too large; export the models with fewer triangles.")
        return redirect("series", patient=patient)
    intake = take_series(request.user, whose, file.chunks())
    return redirect("series-intake", intake=intake.uuid)


@needs("see_scans")
def intake(request: HttpRequest, intake: uuid.UUID) -> HttpResponse:
    """Show what the check found; start the series from here."""
    found = _intake(intake)
    form = StartForm(request.POST or None, initial={"started_on": office_of(request).today()})
    form.ask_what_becomes_of(list(begun(found.patient)), may(request.user, "order"))
    if request.method == "POST" and form.is_valid():
        assert isinstance(request.user, User)
        try:
            start_series(request.user, found, **form.cleaned_data)
        except ActionError as error:
            form.add_error(None, error.words)
        else:
            messages.success(request, "The series runs. Its steps are planned for its visits.")
            return redirect("series", patient=found.patient.uuid)
    old = under_way_of(found.patient).order_by("-pk").first()
    context = {
        "form": form,
        "replaces": old,
        "worn": old.worn(office_of(request).today())[0] if old else 0,
    }
    status = 422 if request.method == "POST" else 200
    return render(request, "series/intake.html", _context(found) | context, status=status)


@needs("see_scans")
def intake_state(request: HttpRequest, intake: uuid.UUID) -> HttpResponse:
    """The check's result, live."""
    found = _intake(intake)
    context = _context(found)
    return live(
        request,
        str(context["version"]),
        lambda: render(request, "series/intake_state.html", context | {"live": True}),
    )


@needs("upload_scans")
@require_POST
def renumber(request: HttpRequest, intake: uuid.UUID) -> HttpResponse:
    """Exchange two swapped steps, or let the files' names count again."""
    found = _intake(intake)
    post = request.POST
    assert isinstance(request.user, User)
    try:
        if post.get("as") == "named":
            number_as_named(request.user, found)
            messages.success(request, "The numbers in the files' names count again.")
        else:
            pair = [int(post.get(name, "")) for name in ("first", "second")]
            exchange_steps(request.user, found, post.get("arch", ""), *pair)
            messages.success(request, f"Steps {pair[0]} and {pair[1]} are exchanged.")
    except ValueError:
        messages.error(request, "Choose the two steps on the page.", extra_tags="bad")
    except ActionError as error:
        messages.error(request, error.words, extra_tags="bad")
    return redirect("series-intake", intake=found.uuid)


def _intake(key: uuid.UUID) -> SeriesIntake:
    return get_object_or_404(
        SeriesIntake.objects.select_related("patient", "file", "series"), uuid=key
    )


def _context(found: SeriesIntake) -> dict[str, object]:
    report = found.report or {}
    return {
        "intake": found,
        "patient": found.patient,
        "report": report,
        "arches": [
            (name, arch, movement_bars(arch, report["limit_mm"]))
            for name, arch in report.get("arches", {}).items()
        ],
        "renumbered": sorted(found.numbers.items()),
        "version": version_of(found.status, found.series_id, found.numbers),
    }

"""Who is at the bench: absences, and what they would do to the promises."""

from __future__ import annotations

import datetime as dt
import uuid

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from clinic.models import Absence, Office, User
from clinic.permissions import needs
from clinic.templatetags.show import clock
from production.actions.errors import ActionError
from production.actions.plan.keep_person import come_back, could_go, go_away
from production.scheduling.away import without
from production.scheduling.hours import open_spans
from production.selectors.desk.today import bounds
from production.selectors.plan.people import at_bench
from production.views.typed import hold, moment, take


@needs("see_bench")
def people(request: HttpRequest) -> HttpResponse:
    """Show who is there until when, who will be away, and a form to say so."""
    rows = at_bench(timezone.now(), Office.get())
    context = {"rows": rows, "typed": take(request), "key": uuid.uuid4().hex}
    return render(request, "plan/people.html", context)


@needs("absences")
def ask(request: HttpRequest) -> HttpResponse:
    """Show what an absence would do to the promises, with the button that records it."""
    asked = request.GET
    person = get_object_or_404(User, pk=_number(asked.get("person", "")))
    context: dict[str, object] = {"person": person, "asked": asked, "key": uuid.uuid4().hex}
    try:
        rest = bool(asked.get("rest"))
        until = _closing() if rest else moment(asked, "until")
        since = could_go(person, None if rest else moment(asked, "since"), until)
    except ActionError as error:
        context["refusal"] = error.words
    else:
        context |= {
            "answer": without(person.pk, since, until),
            "since": since,
            "until": until,
            "starts_later": since > timezone.now(),
        }
    whole = not request.htmx  # type: ignore[attr-defined]
    name = "plan/people_asked.html" if whole else "plan/people_answer.html"
    return render(request, name, context)


@needs("absences")
@require_POST
def away(request: HttpRequest) -> HttpResponse:
    """Record an absence."""
    assert isinstance(request.user, User)
    told = request.POST
    person = get_object_or_404(User, pk=_number(told.get("person", "")))
    try:
        row = go_away(
            request.user,
            person,
            moment(told, "until"),
            since=moment(told, "since"),
            note=told.get("note", ""),
            key=told.get("key", "")[:60],
        )
    except ActionError as error:
        messages.error(request, error.words)
        hold(request, reverse("people"))
    else:
        since = "" if row.starts_at <= timezone.now() else f" from {clock(row.starts_at)} on"
        messages.success(request, f"{person} is away{since}; the plan is made anew without them.")
    return redirect("people")


@needs("absences")
@require_POST
def back(request: HttpRequest, pk: int) -> HttpResponse:
    """End an absence, or take it back before it begins."""
    assert isinstance(request.user, User)
    row = Absence.objects.filter(pk=pk).select_related("person").first()
    if row is not None:
        come_back(request.user, row)
        messages.success(request, f"The plan counts on {row.person} again.")
    return redirect("people")


def _closing() -> dt.datetime:
    """When the office closes today; midnight where it is closed, or closed already."""
    office, now = Office.get(), timezone.now()
    midnight = bounds(office.today(), office)[1]
    return max((stop for _, stop in open_spans(office, now, 1) if stop > now), default=midnight)


def _number(text: str) -> int:
    return int(text) if text.isdecimal() and len(text) < 18 else 0

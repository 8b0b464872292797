"""Today: the day's visits and every promised pickup, live."""

from __future__ import annotations

import datetime as dt
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from clinic.middleware import office_of
from clinic.models import Office
from clinic.permissions import may, needs
from production.bench.lookup import look_up
from production.models import Appliance, Load, Machine
from production.selectors.desk.today import today, today_version
from production.views.live import live


def day_of(request: HttpRequest, office: Office) -> dt.date:
    """Read ``?day=2026-11-25``; today when absent, not a date, or not of this century."""
    try:
        day = dt.date.fromisoformat(request.GET.get("day", ""))
    except ValueError:
        return office.today()
    return day if 2000 <= day.year < 2100 else office.today()


def _context(request: HttpRequest, day: dt.date, version: str) -> dict[str, object]:
    office = office_of(request)
    return {
        "page": today(day, office),
        "version": version,
        "yesterday": day - dt.timedelta(days=1),
        "tomorrow": day + dt.timedelta(days=1),
    }


@needs("see_patients")
def today_page(request: HttpRequest) -> HttpResponse:
    """The whole page."""
    office = office_of(request)
    day = day_of(request, office)
    version = today_version(day, office, request.user.pk)
    # Whoever set the site up lands here first.
    unset = may(request.user, "manage") and not Machine.objects.exists()
    return render(request, "today/page.html", _context(request, day, version) | {"unset": unset})


@needs("see_patients")
def today_live(request: HttpRequest) -> HttpResponse:
    """The live part of the page, or 204 when it is as the reader sees it."""
    office = office_of(request)
    day = day_of(request, office)
    version = today_version(day, office, request.user.pk)
    return live(
        request,
        version,
        lambda: render(request, "today/_live.html", _context(request, day, version)),
    )


@needs("see_patients")
def find(request: HttpRequest) -> HttpResponse:
    """Lead from what was typed or scanned at the desk to a bag's hand-over, a load, or people."""
    query = request.GET.get("q", "")[:120].strip()
    thing = look_up(query, office_of(request).today())
    if isinstance(thing, Appliance) and may(request.user, "see_bench"):
        ready = thing.status == Appliance.Status.READY and may(request.user, "hand_over")
        return redirect("handover" if ready else "appliance", thing.code)
    if isinstance(thing, Load) and may(request.user, "see_bench"):
        return redirect("load", thing.code)
    return redirect(f"{reverse('patients')}?{urlencode({'q': query})}")

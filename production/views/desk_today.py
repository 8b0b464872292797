"""Today: the day's visits and every promised pickup, live."""

from __future__ import annotations

import datetime as dt

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from clinic.middleware import office_of
from clinic.models import Office
from clinic.permissions import needs
from production.selectors.today import today, today_version
from production.views.live import live


def day_of(request: HttpRequest, office: Office) -> dt.date:
    """Read ``?day=2026-11-25``; today when absent or not a date."""
    try:
        return dt.date.fromisoformat(request.GET.get("day", ""))
    except ValueError:
        return office.today()


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
    return render(request, "today/page.html", _context(request, day, version))


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

"""The plan on screen: the timeline of the bench."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from clinic.permissions import needs
from production.selectors.plan_order import latest
from production.selectors.timeline import timeline as build
from production.views.live import live, version_of


@needs("see_bench")
def timeline(request: HttpRequest) -> HttpResponse:
    """Show the bench timeline."""
    return render(request, "plan/timeline.html", _context())


@needs("see_bench")
def timeline_live(request: HttpRequest) -> HttpResponse:
    """The timeline, when the plan or the minute has changed."""
    plan = latest()
    version = version_of(plan and plan.pk, timezone.now().replace(second=0, microsecond=0))
    return live(request, version, lambda: render(request, "plan/picture.html", _context()))


def _context() -> dict[str, object]:
    now = timezone.now()
    plan = latest()
    return {
        "timeline": build(now),
        "version": version_of(plan and plan.pk, now.replace(second=0, microsecond=0)),
    }

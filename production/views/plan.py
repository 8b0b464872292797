"""The plan on screen: the timeline of the bench."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from clinic.models import User
from clinic.permissions import needs
from production.actions.errors import ActionError
from production.actions.make_ahead import make_ahead
from production.scheduling import ahead
from production.selectors.plan_order import latest
from production.selectors.timeline import timeline as build
from production.views.live import live, version_of

SHOWN = 40  # visits in the list


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


@needs("see_bench")
def weeks(request: HttpRequest) -> HttpResponse:
    """Show what the running series need, and four weeks of work against the open time."""
    return _weeks(request, set())


@needs("order")
def fits(request: HttpRequest) -> HttpResponse:
    """Tick the steps that can be started today without harming today's promises."""
    answer = ahead.what_fits()
    return _weeks(request, set(answer["take"]), answer)


@needs("order")
@require_POST
def order_ahead(request: HttpRequest) -> HttpResponse:
    """Order the chosen steps."""
    assert isinstance(request.user, User)
    # One tick may stand for all steps of a visit.
    chosen = set(",".join(request.POST.getlist("step")).split(","))
    steps = [(n.step, n.by) for n in ahead.outlook().needed if n.key in chosen]
    try:
        orders = make_ahead(request.user, steps, key=f"ahead:{request.POST.get('key', '')[:40]}")
    except ActionError as error:
        messages.error(request, error.words)
    else:
        count = sum(order.appliances.count() for order in orders)
        messages.success(request, f"Ordered: {count} aligner{'s' if count != 1 else ''}.")
    return redirect("weeks")


def _weeks(
    request: HttpRequest, take: set[int], answer: dict[str, Any] | None = None
) -> HttpResponse:
    """Show the page with the steps in ``take`` ticked."""
    outlook = ahead.outlook()
    coming = outlook.visits
    visits = [
        (visit, all(ticked), any(ticked) and not all(ticked))
        for visit in coming[:SHOWN]
        for ticked in [[n.step.pk in take for n in visit.steps]]
    ]
    context = {
        "outlook": outlook,
        "visits": visits,
        "later": max(len(coming) - SHOWN, 0),
        "key": uuid.uuid4().hex,
        "answer": answer,
        "take": take,
    }
    return render(request, "plan/weeks.html", context)


def _context() -> dict[str, object]:
    now = timezone.now()
    plan = latest()
    return {
        "timeline": build(now),
        "version": version_of(plan and plan.pk, now.replace(second=0, microsecond=0)),
    }

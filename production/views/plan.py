"""The plan on screen: the timeline of the bench."""

from __future__ import annotations

import uuid

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
    return render(request, "plan/weeks.html", {"outlook": ahead.outlook(), "key": uuid.uuid4().hex})


@needs("order")
def fits(request: HttpRequest) -> HttpResponse:
    """Tick the steps that can be started today without harming today's promises."""
    answer = ahead.what_fits()
    return render(
        request,
        "plan/weeks.html",
        {
            "outlook": ahead.outlook(),
            "key": uuid.uuid4().hex,
            "answer": answer,
            "take": set(answer["take"]),
        },
    )


@needs("order")
@require_POST
def order_ahead(request: HttpRequest) -> HttpResponse:
    """Order the chosen steps."""
    assert isinstance(request.user, User)
    chosen = {k for k in request.POST.getlist("step") if k.isdigit()}
    steps = [(n.step, n.by) for n in ahead.outlook().needed if n.key in chosen]
    try:
        orders = make_ahead(request.user, steps, key=f"ahead:{request.POST.get('key', '')[:40]}")
    except ActionError as error:
        messages.error(request, error.words)
    else:
        count = sum(order.appliances.count() for order in orders)
        messages.success(request, f"Ordered: {count} aligner{'s' if count != 1 else ''}.")
    return redirect("weeks")


def _context() -> dict[str, object]:
    now = timezone.now()
    plan = latest()
    return {
        "timeline": build(now),
        "version": version_of(plan and plan.pk, now.replace(second=0, microsecond=0)),
    }

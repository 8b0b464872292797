"""The plan on screen: the timeline of the bench."""

from __future__ import annotations

import datetime as dt
import uuid
from contextlib import suppress
from dataclasses import dataclass

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST
from django_htmx.http import HttpResponseClientRedirect

from clinic.models import User
from clinic.permissions import needs
from production import work
from production.actions.errors import ActionError
from production.actions.plan.make_ahead import make_ahead
from production.models import FitAnswer, Work
from production.scheduling import ahead
from production.scheduling.standing import latest, tight_weeks
from production.scheduling.state import digest
from production.selectors.plan.timeline import timeline as build
from production.views.live import live, version_of

SHOWN = 40  # visits in the list at first, and how many more each time
FIT = "fit"
# How many hours the picture shows, how wide a minute is, and the minutes before now: the near
# hours can be read from where the hands are.
SPANS = {"day": (9.0, 2.6, 30), "near": (3.5, 5.0, 0)}
FRESH = dt.timedelta(minutes=15)  # a bench on which nothing is recorded goes on all the same


@needs("see_bench")
def timeline(request: HttpRequest) -> HttpResponse:
    """Show the bench timeline."""
    return render(request, "plan/timeline.html", _context(request))


@needs("see_bench")
def timeline_live(request: HttpRequest) -> HttpResponse:
    """The timeline, when the plan or the minute has changed."""
    plan = latest()
    version = version_of(plan and plan.pk, timezone.now().replace(second=0, microsecond=0))
    return live(request, version, lambda: render(request, "plan/picture.html", _context(request)))


@needs("see_bench")
def weeks(request: HttpRequest) -> HttpResponse:
    """Show what the running series need, and four weeks of work against the open time."""
    return _weeks(request)


@needs("order")
def fits(request: HttpRequest) -> HttpResponse:
    """Ask (by POST) which steps can be started today, then show the answer and tick them."""
    if request.method == "POST":
        with transaction.atomic():
            work.ask(FIT, coalesce=True)
        return redirect("weeks-fit")
    return _weeks(request, _fit())


@needs("order")
def fits_state(request: HttpRequest) -> HttpResponse:
    """Nothing while the planner is at it, then the page with the answer."""
    if _fit().waiting:
        return HttpResponse(status=204)
    return HttpResponseClientRedirect(reverse("weeks-fit"))


@dataclass(frozen=True)
class _Fit:
    """The question of what fits today: still at the planner, failed, or answered."""

    waiting: bool
    problem: str
    answer: FitAnswer | None
    outdated: bool  # the bench has changed, or it is long ago

    @property
    def take(self) -> set[int]:
        """The steps to tick."""
        return set(self.answer.take) if self.answer and not self.outdated else set()


def _fit() -> _Fit:
    row = Work.objects.filter(kind=FIT).order_by("-pk").first()
    answer = FitAnswer.objects.first()
    old = timezone.now() - FRESH
    return _Fit(
        waiting=row is not None and row.status in (Work.Status.PENDING, Work.Status.RUNNING),
        problem=row.problem if row is not None and row.status == Work.Status.FAILED else "",
        answer=answer,
        outdated=answer is not None and (answer.state != digest() or answer.made_at < old),
    )


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


@dataclass(frozen=True)
class _Wanted:
    """A line of the list: a visit, and which of its steps are ticked."""

    visit: ahead.Visit
    ticked: list[bool]
    now: dt.datetime

    @property
    def whole(self) -> bool:
        """Whether all are ticked."""
        return all(self.ticked)

    @property
    def part(self) -> bool:
        """Whether some are, and others not."""
        return any(self.ticked) and not all(self.ticked)

    @property
    def day(self) -> dt.date | None:
        """The last day on which it must be made; None where that is over."""
        by = self.visit.first.by
        return timezone.localdate(by) if by > self.now else None


def _weeks(request: HttpRequest, fit: _Fit | None = None) -> HttpResponse:
    """Show the page, with the steps ticked that fit today when that was asked."""
    take = fit.take if fit else set()
    outlook = ahead.outlook()
    coming = outlook.visits
    shown = SHOWN
    with suppress(ValueError):
        shown = max(SHOWN, int(request.GET.get("show", "")))
    now = timezone.now()
    days: dict[dt.date | None, list[_Wanted]] = {}
    for visit in coming[:shown]:
        row = _Wanted(visit, [n.step.pk in take for n in visit.steps], now)
        days.setdefault(row.day, []).append(row)
    context = {
        "outlook": outlook,
        "tight": outlook.short,
        "here": True,
        "days": list(days.items()),
        "later": max(len(coming) - shown, 0),
        "next": SHOWN,
        "more": shown + SHOWN,
        "key": uuid.uuid4().hex,
        "fit": fit,
        "take": take,
    }
    return render(request, "plan/weeks.html", context)


def _context(request: HttpRequest) -> dict[str, object]:
    now = timezone.now()
    plan = latest()
    span = request.GET.get("span", "")
    span = span if span in SPANS else "day"
    return {
        "timeline": build(now, *SPANS[span]),
        "span": span,
        "tight": tight_weeks(),
        "version": version_of(plan and plan.pk, now.replace(second=0, microsecond=0)),
    }

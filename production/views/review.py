"""The doctor's review: figures over any range of days, each leading to its appliances."""

from __future__ import annotations

import datetime as dt
from collections import OrderedDict
from typing import Any

from django.db.models import Count, Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from clinic.models import Office
from clinic.permissions import needs
from production import charts
from production.models import Appliance, StageEvent
from production.selectors import review as select
from production.statistics import individuals_chart, p_chart

LISTED = 500


@needs("review")
def review(request: HttpRequest) -> HttpResponse:
    """Show the figures of a range beside those of the range before."""
    span = read_range(request)
    now, before = select.figures(span), select.figures(span.before, with_stuck=False)
    return render(
        request,
        "review/review.html",
        {
            "span": span,
            "now": now,
            "before": before,
            "definitions": select.DEFINITIONS,
            "bins": select.reliability(span),
            "query": f"from={span.first}&to={span.last}",
            "presets": _presets(),
        },
    )


@needs("review")
def chart(request: HttpRequest, name: str) -> HttpResponse:
    """Return one chart of the range as SVG."""
    span = read_range(request)
    if name == "causes":
        svg = charts.pareto_chart(select.figures(span, with_stuck=False).causes[:10])
    elif name == "reliability":
        svg = charts.reliability_chart(select.reliability(span))
    elif name == "lead-time":
        labels, values = _lead_by_day(span)
        individuals, _ = individuals_chart(values)
        svg = charts.control_chart(individuals, labels, "hours, median of the day")
    elif name == "failures":
        labels, bad, made = _failures_by_week(span)
        svg = charts.control_chart(p_chart(bad, made), labels, "failed or remade", share=True)
    else:
        raise Http404
    response = HttpResponse(svg, content_type="image/svg+xml")
    response.headers["Content-Security-Policy"] = charts.POLICY
    return response


@needs("review")
def behind(request: HttpRequest, what: str) -> HttpResponse:
    """List the appliances behind a figure."""
    span = read_range(request)
    rows, title = _behind(span, what, request.GET.get("name", ""))
    return render(
        request,
        "review/behind.html",
        {
            "span": span,
            "title": title,
            "rows": rows.select_related("order__patient", "kind", "stage", "remake_cause")[:LISTED],
            "query": f"from={span.first}&to={span.last}",
            "limit": LISTED,
        },
    )


def _behind(span: select.Range, what: str, name: str) -> tuple[Any, str]:
    every = Appliance.objects.order_by("-created_at")
    if what == "on-time" or what == "missed":
        kept = select.promises(span).filter(kept=True if what == "on-time" else None)
        if what == "missed":
            kept = select.promises(span).exclude(kept=True)
        words = "Promises kept" if what == "on-time" else "Promises missed or overdue"
        return every.filter(order__in=kept.values("order")), words
    if what == "ready":
        return select.became_ready(span).order_by("-ready_at"), "Became ready"
    if what == "handed-over":
        return select.handed_over(span).order_by("-delivered_at"), "Handed over"
    if what == "stuck":
        return select.stuck().order_by("stage_since"), "Stuck"
    if what == "cause":
        failed = select.failures(span).filter(cause__name=name).values("appliance")
        remade = select.remakes(span).filter(remake_cause__name=name).values("pk")
        return every.filter(Q(pk__in=failed) | Q(pk__in=remade)), f"Cause: {name}"
    if what == "stage":
        failed = select.failures(span).filter(stage__code=name).values("appliance")
        return every.filter(pk__in=failed), f"Failed at {name}"
    if what == "remakes":
        return select.remakes(span).order_by("-created_at"), "Remakes"
    raise Http404


def read_range(request: HttpRequest) -> select.Range:
    """Return the range asked for; a wrong or missing one gives the last week."""
    today = Office.get().today()
    try:
        first = dt.date.fromisoformat(request.GET.get("from", ""))
        last = dt.date.fromisoformat(request.GET.get("to", ""))
    except ValueError:
        first, last = today - dt.timedelta(days=6), today
    if last < first:
        first, last = last, first
    return select.make_range(max(first, last - dt.timedelta(days=3660)), last)


def _presets() -> list[tuple[str, str]]:
    today = Office.get().today()
    month = today.replace(day=1)
    spans = [
        ("Today", today, today),
        ("7 days", today - dt.timedelta(days=6), today),
        ("28 days", today - dt.timedelta(days=27), today),
        ("This month", month, today),
        ("Year", today - dt.timedelta(days=364), today),
    ]
    return [(name, f"?from={first}&to={last}") for name, first, last in spans]


def _lead_by_day(span: select.Range) -> tuple[list[str], list[float]]:
    zone = Office.get().zone
    days: OrderedDict[dt.date, list[float]] = OrderedDict()
    for scanned, out in select.lead_times(span):
        hours = (out - scanned).total_seconds() / 3600
        days.setdefault(out.astimezone(zone).date(), []).append(hours)
    medians = [sorted(v)[len(v) // 2] for v in days.values()]
    return [f"{d.day} {d:%b}" for d in days], medians


def _failures_by_week(span: select.Range) -> tuple[list[str], list[int], list[int]]:
    """Count the appliances that became ready in each week, and those that had failed before."""
    zone = Office.get().zone
    weeks: OrderedDict[dt.date, list[int]] = OrderedDict()
    rows = (
        select.became_ready(span)
        .annotate(
            bad=Count("events", filter=Q(events__action=StageEvent.Action.FAIL)),
            again=Count("remakes"),
        )
        .order_by("ready_at")
        .values_list("ready_at", "bad", "again")
    )
    for ready, bad, again in rows:
        if ready is None:
            continue
        day = ready.astimezone(zone).date()
        week = weeks.setdefault(day - dt.timedelta(days=day.weekday()), [0, 0])
        week[0] += bool(bad or again)
        week[1] += 1
    labels = [f"{w.day} {w:%b}" for w in weeks]
    return labels, [w[0] for w in weeks.values()], [w[1] for w in weeks.values()]

"""The doctor's review: figures over any range of days, each leading to its appliances."""

from __future__ import annotations

import csv
import datetime as dt

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from clinic.models import Office
from clinic.permissions import needs
from production import charts
from production.documents import review as review_paper
from production.selectors import review as select
from production.statistics import individuals_chart, p_chart

LISTED = 500
LONGEST_DAYS = 3660


@needs("review")
def review(request: HttpRequest) -> HttpResponse:
    """Show the figures of a range beside those of the range before."""
    span = read_range(request)
    stuck = select.stuck().select_related("stage", "order__patient", "kind")[:50]
    return render(
        request,
        "review/review.html",
        {
            "span": span,
            "now": select.figures(span),
            "before": select.figures(span.before),
            "stuck": stuck,
            "definitions": select.DEFINITIONS,
            "query": f"from={span.first}&to={span.last}",
            "presets": _presets(),
        },
    )


@needs("review")
def chart(request: HttpRequest, name: str) -> HttpResponse:
    """Return one chart of the range as SVG."""
    svg = draw(read_range(request), name)
    if svg is None:
        raise Http404
    response = HttpResponse(svg, content_type="image/svg+xml")
    response.headers["Content-Security-Policy"] = charts.POLICY
    return response


def draw(span: select.Range, name: str) -> bytes | None:
    """Return the chart called ``name``; None when there is no such chart."""
    if name == "causes":
        return charts.pareto_chart(select.figures(span).causes[:10])
    if name == "reliability":
        return charts.reliability_chart(select.figures(span).bands)
    if name == "lead-time":
        rows = select.lead_by_period(span)
        individuals, _ = individuals_chart([hours for _, hours in rows])
        return charts.control_chart(individuals, [label for label, _ in rows], "hours, median")
    if name == "failures":
        found = select.periods(span)
        rates = p_chart([f.ready_bad for _, f in found], [f.ready for _, f in found])
        labels = [label for label, f in found if f.ready]
        return charts.control_chart(rates, labels, "failed or remade", share=True)
    return None


@needs("review")
def behind(request: HttpRequest, what: str) -> HttpResponse:
    """List the appliances behind a figure."""
    span = read_range(request)
    found = select.behind(span, what, request.GET.get("name", ""))
    if found is None:
        raise Http404
    rows, title = found
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


@needs("review")
def table(request: HttpRequest) -> HttpResponse:
    """Return the figures of the range, by week or month, as CSV."""
    span = read_range(request)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = (
        f'attachment; filename="review-{span.first}-{span.last}.csv"'
    )
    writer = csv.writer(response)
    writer.writerow(
        ["period", "due", "kept", "ready", "failed or remade", "handed over", "failures",
         "remakes", "median minutes scan to hand-over"]
    )  # fmt: skip
    for label, found in select.periods(span):
        median = select.lead_percentile(found.lead, 0.5)
        writer.writerow(
            [label, found.due, found.kept, found.ready, found.ready_bad, found.handed_over,
             found.failures, found.remakes, "" if median is None else round(median)]
        )  # fmt: skip
    return response


@needs("review")
def paper(request: HttpRequest) -> HttpResponse:
    """Return the review of the range as a PDF."""
    span = read_range(request)
    made = review_paper.build(span, {n: draw(span, n) for n in review_paper.CHARTS})
    response = HttpResponse(made.pdf, content_type="application/pdf")
    response.headers["Content-Disposition"] = f'inline; filename="{made.name}"'
    return response


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
    last = min(max(last, dt.date(2000, 1, 1)), today + dt.timedelta(days=366))
    return select.Range(max(min(first, last), last - dt.timedelta(days=LONGEST_DAYS)), last)


def _presets() -> list[tuple[str, str]]:
    today = Office.get().today()
    month = today.replace(day=1)
    spans = [
        ("Today", today, today),
        ("7 days", today - dt.timedelta(days=6), today),
        ("28 days", today - dt.timedelta(days=27), today),
        ("This month", month, today),
        ("Year", today - dt.timedelta(days=364), today),
        ("5 years", today - dt.timedelta(days=1825), today),
    ]
    return [(name, f"?from={first}&to={last}") for name, first, last in spans]

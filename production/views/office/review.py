"""The doctor's review: figures over any range of days, each leading to its appliances."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from clinic.middleware import office_of
from clinic.permissions import needs
from production import charts
from production.csv_cells import listed
from production.documents import review as review_paper
from production.selectors.review import breakdown, drift
from production.selectors.review import figures as select
from production.selectors.review.behind import COUNTED
from production.selectors.review.behind import behind as select_behind
from production.selectors.review.days import facts
from production.selectors.review.definitions import DEFINITIONS
from production.selectors.review.facts import Facts, lead_percentile, total
from production.selectors.review.times import stage_times

LISTED = 500
LONGEST_DAYS = 3660


@needs("review")
def review(request: HttpRequest) -> HttpResponse:
    """Show the figures of a range beside those of the range before."""
    return render(request, "review/review.html", _page(request, read_range(request)))


def _page(request: HttpRequest, span: select.Range) -> dict[str, Any]:
    """Return everything the review shows of a range, on screen and on paper."""
    days = facts(span.first, span.last)
    found = total(days.values())
    earlier = facts(span.before.first, span.before.last)
    found_before = total(earlier.values())
    now = select.assemble(found, select.elapsed_days(span))
    before = select.assemble(found_before, select.elapsed_days(span.before))
    weeks = select.periods(days)
    between, apart = drift.remakes(span)
    lead, lead_range = drift.lead_time(days, weeks)
    return {
        "span": span,
        "now": now,
        "before": before,
        "on_time_change": select.change(now.on_time, before.on_time),
        "failed_change": select.change(now.failed, before.failed, more_is_better=False),
        "yields": _beside(now.yields, before.yields),
        "causes": breakdown.causes(found, found_before),
        "where": [table for table in breakdown.where(found, found_before) if table.lines],
        "machines": breakdown.machines(found, found_before),
        "hands": breakdown.hands(found, found_before),
        "times": stage_times(),
        "cost": breakdown.cost(found),
        "cost_before": breakdown.cost(found_before),
        "failures": drift.failures(weeks),
        "lead": lead,
        "lead_range": lead_range,
        "between": between,
        "apart": apart,
        "stuck": select.stuck().select_related("stage", "order__patient", "kind")[:50],
        "definitions": DEFINITIONS,
        "query": span.query,
        "presets": _presets(office_of(request).today()),
    }


def _beside(
    now: list[select.StageYield], before: list[select.StageYield]
) -> list[tuple[select.StageYield, select.Rate, str]]:
    """Put each stage's yield beside the one before, with what may be said of the change."""
    earlier = {y.stage.pk: y.rate for y in before}
    rows = [(y, earlier.get(y.stage.pk, select.Rate(0, 0))) for y in now]
    return [(y, was, select.change(y.rate, was)) for y, was in rows]


@needs("review")
def chart(request: HttpRequest, name: str) -> HttpResponse:
    """Return one chart of the range as SVG."""
    if name not in CHARTS:
        raise Http404
    response = HttpResponse(CHARTS[name](read_range(request)), content_type="image/svg+xml")
    response.headers["Content-Security-Policy"] = charts.POLICY
    return response


def _control(found: drift.Drift, unit: str, *, share: bool = False) -> bytes:
    return charts.control_chart(found.chart, found.labels, unit, share=share)


def _days(span: select.Range) -> dict[dt.date, Facts]:
    return facts(span.first, span.last)


CHARTS: dict[str, Callable[[select.Range], bytes]] = {
    "causes": lambda span: charts.pareto_chart(select.figures(span).causes[:10]),
    "reliability": lambda span: charts.reliability_chart(select.figures(span).bands),
    "lead-time": lambda span: _control(drift.lead_time(_days(span))[0], "hours, median"),
    "lead-range": lambda span: _control(drift.lead_time(_days(span))[1], "hours apart"),
    "failures": lambda span: _control(
        drift.failures(select.periods(_days(span))), "failed or remade", share=True
    ),
    "between": lambda span: _control(drift.remakes(span)[0], "appliances between"),
    "apart": lambda span: _control(drift.remakes(span)[1], "days between"),
}


@needs("review")
def behind(request: HttpRequest, what: str) -> HttpResponse:
    """List the appliances behind a figure."""
    span = read_range(request)
    found = select_behind(span, what, request.GET.get("name", ""))
    if found is None:
        raise Http404
    rows, title = found
    asked = request.GET.get("after", "")
    after = int(asked) if asked.isdigit() else 0
    shown = list(
        rows.select_related("order__patient", "kind", "stage", "remake_cause")[
            after : after + LISTED + 1
        ]
    )
    return render(
        request,
        "review/behind.html",
        {
            "span": span,
            "title": title,
            "rows": shown[:LISTED],
            "query": span.query,
            "name": request.GET.get("name", ""),
            "counted": COUNTED.get(what, ""),
            "first": after + 1,
            "next": after + LISTED if len(shown) > LISTED else None,
        },
    )


@needs("review")
def table(request: HttpRequest) -> HttpResponse:
    """Return the figures of the range, by week or month, as CSV."""
    span = read_range(request)
    rows: list[list[object]] = [
        ["period", "due", "kept", "ready", "failed or remade", "handed over", "failures",
         "remakes", "median minutes scan to hand-over"]
    ]  # fmt: skip
    for period in select.periods(_days(span)):
        found = period.facts
        median = lead_percentile(found.lead, 0.5)
        rows.append(
            [period.label, found.due, found.kept, found.ready, found.ready_bad, found.handed_over,
             found.failures, found.remakes, "" if median is None else round(median)]
        )  # fmt: skip
    return _as_csv("review", span, rows)


@needs("review")
def numbers(request: HttpRequest) -> HttpResponse:
    """Return the figures of the range beside the range before, and where work failed, as CSV."""
    span = read_range(request)
    page = _page(request, span)
    rows: list[list[object]] = [
        ["figure", "of", "value", "low 95 %", "high 95 %", "k", "n", "before"]
    ]
    now, before = page["now"], page["before"]
    rows.append(["on time", "", *_rate(now.on_time), before.on_time.value])
    rows.append(["failed or remade", "", *_rate(now.failed), before.failed.value])
    plain = {
        "minutes scan to hand-over, median": "lead_median",
        "minutes scan to hand-over, 90th percentile": "lead_p90",
        "became ready": "ready",
        "handed over": "handed_over",
        "in progress, average": "in_progress",
        "arrivals a day": "arrivals_per_day",
        "hours from scan to ready, average": "stay_hours",
        "Little's law, gap": "little",
        "rolled throughput yield": "rolled",
        "failures": "failures",
        "remakes": "remakes",
    }
    for title, name in plain.items():
        rows.append([title, "", getattr(now, name), "", "", "", now.ready, getattr(before, name)])
    for y, was, _ in page["yields"]:
        rows.append(["first pass", y.stage, *_rate(y.rate), was.value])
    for name, count, _, was in page["causes"]:
        rows.append(["cause", name, count, "", "", count, "", was])
    for table in page["where"]:
        for line in table.lines:
            rows.append([f"failed, by {table.what}", line.name, *_rate(line.rate), line.was.value])
            rows.append(
                [f"remade, by {table.what}", line.name, line.remade, *[""] * 4, line.remade_before]
            )
    hands = page["hands"]
    for use, name in [*((m, m.machine) for m in page["machines"]), (hands, "hands")]:
        rows.append(["open hours", name, use.open_hours, *[""] * 4, use.before.open_hours])
        rows.append(["used of open time", name, use.share, *[""] * 4, use.before.share])
    for use in page["machines"]:
        rows.append(["loads", use.machine, use.loads, *[""] * 4, use.before.loads])
        rows.append(["filled", use.machine, use.filled, "", "", use.pieces, "", use.before.filled])
    for band in now.bands:
        rows.append(["kept, of promises stated with", band.stated, *_rate(band.rate), ""])
    rows += _cost_rows(page["cost"], page["cost_before"])
    rows.append(["stuck now", "", select.stuck().count(), *[""] * 5])
    return _as_csv("figures", span, rows)


def _cost_rows(cost: breakdown.Cost | None, was: breakdown.Cost | None) -> list[list[object]]:
    """Return what an appliance took, part by part, beside the range before."""
    if cost is None:
        return []
    earlier: dict[object, float] = {}
    if was is not None:
        earlier = {key: money for key, _, money in was.materials}
        earlier |= {stage.code: minutes for stage, minutes in was.hands}

    def row(title: str, of: object, value: float, before: object) -> list[object]:
        return [title, of, value, "", "", "", cost.ready, before]

    rows = []
    if cost.priced:
        before = was.material if was and was.priced else ""
        rows.append(row("materials per appliance", "", cost.material, before))
    for key, name, money in cost.materials:
        if money:
            rows.append(row("materials per appliance", name, money, earlier.get(key) or ""))
    rows.append(row("minutes of hands per appliance", "", cost.minutes, was.minutes if was else ""))
    for stage, minutes in cost.hands:
        before = earlier.get(stage.code, "")
        rows.append(row("minutes of hands per appliance", stage, minutes, before))
    if cost.hour_cost:
        rows.append(row("hands per appliance", "", cost.labour, was.labour if was else ""))
        rows.append(row("cost per appliance", "", cost.whole, was.whole if was else ""))
    return rows


def _as_csv(name: str, span: select.Range, rows: list[list[object]]) -> HttpResponse:
    response = HttpResponse(listed(rows), content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = (
        f'attachment; filename="{name}-{span.first}-{span.last}.csv"'
    )
    return response


def _rate(rate: select.Rate) -> list[float | int | None]:
    return [rate.value, rate.low, rate.high, rate.k, rate.n]


@needs("review")
def paper(request: HttpRequest) -> HttpResponse:
    """Return the review of the range as a PDF."""
    span = read_range(request)
    charts = {name: draw(span) for name, draw in CHARTS.items()}
    made = review_paper.build(span, _page(request, span), charts)
    response = HttpResponse(made.pdf, content_type="application/pdf")
    response.headers["Content-Disposition"] = f'inline; filename="{made.name}"'
    return response


def read_range(request: HttpRequest) -> select.Range:
    """Return the range asked for; a wrong or missing one gives the last week."""
    today = office_of(request).today()
    try:
        first = dt.date.fromisoformat(request.GET.get("from", ""))
        last = dt.date.fromisoformat(request.GET.get("to", ""))
    except ValueError:
        first, last = today - dt.timedelta(days=6), today
    if last < first:
        first, last = last, first
    last = min(max(last, dt.date(2000, 1, 1)), today + dt.timedelta(days=366))
    return select.Range(max(min(first, last), last - dt.timedelta(days=LONGEST_DAYS)), last)


def _presets(today: dt.date) -> list[tuple[str, str]]:
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

"""The control charts of the review: points, labels, limits, signals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from clinic.clock import office_zone
from production.models import Appliance
from production.selectors.review import counting
from production.selectors.review.facts import Facts, lead_percentile
from production.selectors.review.figures import DAILY_UP_TO_DAYS, Period, Range, periods
from production.statistics import Chart, g_chart, individuals_chart, p_chart, t_chart

#: A chart of rare events shows the latest ones; more cannot be told apart.
LATEST = 60


@dataclass(frozen=True)
class Drift:
    """A control chart with the label of each of its points, and the days each stands for.

    ``what`` names the list of appliances behind a point (``behind``).
    """

    chart: Chart
    labels: list[str]
    spans: list[Range]
    what: str

    @property
    def signals(self) -> list[tuple[str, str, Range]]:
        """(where, by which rule, its days), for words beside the picture."""
        return [(self.labels[s.index], s.rule, self.spans[s.index]) for s in self.chart.signals]

    @property
    def few(self) -> bool:
        """Whether there are too few points for the limits to mean much."""
        return self.chart.few


def failures(weeks: Sequence[Period]) -> Drift:
    """Return the p-chart of appliances that failed or were a remake, by week or month."""
    found = [p for p in weeks if p.facts.ready]
    chart = p_chart([p.facts.ready_bad for p in found], [p.facts.ready for p in found])
    return Drift(chart, [p.label for p in found], [p.span for p in found], "failed-ready")


def lead_time(
    days: Mapping[dt.date, Facts], weeks: Sequence[Period] | None = None
) -> tuple[Drift, Drift]:
    """Return the individuals chart of the median hours from scan to hand-over, and the chart of
    their moving range: how far each lies from the one before.

    ``weeks``: the periods of the days, where they are known already.
    """
    if len(days) > DAILY_UP_TO_DAYS:
        rows = list(weeks or periods(days))
    else:
        rows = [Period(f"{d.day} {d:%b}", Range(d, d), f) for d, f in days.items()]
    medians = [(p, lead_percentile(p.facts.lead, 0.5)) for p in rows]
    known = [(p, value / 60) for p, value in medians if value is not None]
    chart, moving = individuals_chart([value for _, value in known])
    labels, spans = [p.label for p, _ in known], [p.span for p, _ in known]
    return (
        Drift(chart, labels, spans, "handed-over"),
        Drift(moving, labels[1:], spans[1:], "handed-over"),
    )


def remakes(span: Range) -> tuple[Drift, Drift]:
    """Return the g-chart (appliances) and the t-chart (days) between remakes. Two queries."""
    rows = counting.remakes(span.start, span.end).order_by("-created_at")
    times = sorted(rows.values_list("created_at", flat=True)[: LATEST + 1])
    zone = office_zone()
    dates = [t.astimezone(zone).date() for t in times]
    labels = [f"{day.day} {day:%b %y}" for day in dates[1:]]
    made: list[int] = []
    if len(times) > 1:
        ready = Appliance.objects.filter(ready_at__gte=times[0], ready_at__lt=times[-1])
        stamps = np.sort([r.timestamp() for r in ready.values_list("ready_at", flat=True) if r])
        made = np.diff(np.searchsorted(stamps, [t.timestamp() for t in times])).tolist()
    days = (np.diff([t.timestamp() for t in times]) / 86400).tolist() if len(times) > 1 else []
    spans = [Range(a, b) for a, b in pairwise(dates)]
    return Drift(g_chart(made), labels, spans, "remakes"), Drift(
        t_chart(days), labels, spans, "remakes"
    )

"""The control charts of the review: points, labels, limits, signals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from clinic.models import Office
from production.models import Appliance
from production.selectors import counting
from production.selectors.facts import Facts, lead_percentile
from production.selectors.review import DAILY_UP_TO_DAYS, Range, periods
from production.statistics import Chart, g_chart, individuals_chart, p_chart, t_chart

#: A chart of rare events shows the latest ones; more cannot be told apart.
LATEST = 60


@dataclass(frozen=True)
class Drift:
    """A control chart with the label of each of its points."""

    chart: Chart
    labels: list[str]

    @property
    def signals(self) -> list[tuple[str, str]]:
        """(where, by which rule), for words beside the picture."""
        return [(self.labels[s.index], s.rule) for s in self.chart.signals]

    @property
    def few(self) -> bool:
        """Whether there are too few points for the limits to mean much."""
        return self.chart.few


def failures(days: Mapping[dt.date, Facts]) -> Drift:
    """Return the p-chart of appliances that failed or were a remake, by week or month."""
    found = [(label, f) for label, f in periods(days) if f.ready]
    chart = p_chart([f.ready_bad for _, f in found], [f.ready for _, f in found])
    return Drift(chart, [label for label, _ in found])


def lead_time(days: Mapping[dt.date, Facts]) -> Drift:
    """Return the individuals chart of the median hours from scan to hand-over."""
    if len(days) > DAILY_UP_TO_DAYS:
        rows = periods(days)
    else:
        rows = [(f"{d.day} {d:%b}", f) for d, f in days.items()]
    medians = [(label, lead_percentile(found.lead, 0.5)) for label, found in rows]
    known = [(label, value / 60) for label, value in medians if value is not None]
    chart, _ = individuals_chart([value for _, value in known])
    return Drift(chart, [label for label, _ in known])


def remakes(span: Range) -> tuple[Drift, Drift]:
    """Return the g-chart (appliances) and the t-chart (days) between remakes. Two queries."""
    rows = counting.remakes(span.start, span.end).order_by("-created_at")
    times = sorted(rows.values_list("created_at", flat=True)[: LATEST + 1])
    zone = Office.get().zone
    labels = [f"{t.astimezone(zone).day} {t.astimezone(zone):%b %y}" for t in times[1:]]
    made: list[int] = []
    if len(times) > 1:
        ready = Appliance.objects.filter(ready_at__gte=times[0], ready_at__lt=times[-1])
        stamps = np.sort([r.timestamp() for r in ready.values_list("ready_at", flat=True) if r])
        made = np.diff(np.searchsorted(stamps, [t.timestamp() for t in times])).tolist()
    days = (np.diff([t.timestamp() for t in times]) / 86400).tolist() if len(times) > 1 else []
    return Drift(g_chart(made), labels), Drift(t_chart(days), labels)

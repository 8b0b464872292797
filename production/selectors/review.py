"""What the doctor reviews over a range of days: promises, lead time, yield, remakes, what is stuck.

Every figure has a definition and a list of the records behind it; the definitions
are in ``DEFINITIONS`` and shown on the page.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

from django.db.models import Count, Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from clinic.models import Office
from production.models import Appliance, Order, Promise, Stage, StageEvent
from production.models.bench import OPEN_STATUSES
from production.statistics import little_gap, pareto, percentile, rolled_yield, wilson

DEFINITIONS = {
    "on_time": "Promises due in the range whose appliances were all ready by the agreed time, "
    "out of those due in it that are settled or overdue. A moved promise counts with its last "
    "time. The interval is Wilson's, 95 %.",
    "lead_time": "From the usable scan to the hand-over, of appliances handed over in the range "
    "that were ordered new (not made ahead): the median, and the value nine of ten stay below.",
    "throughput": "Appliances that became ready in the range.",
    "first_pass": "Of the appliances whose first result at the stage fell in the range, the share "
    "that finished it without a failure. Work that was taken back does not count.",
    "rolled": "The product of the first-pass yields of all stages: the chance that an appliance "
    "goes through all of them without a failure.",
    "remakes": "Failures at a stage and remakes after hand-over, by the cause that was recorded.",
    "in_progress": "Average number of appliances between scan and ready. Little's law says that it "
    "equals arrivals per day times the time each takes; a large gap means marks are missing.",
    "stuck": "Open appliances on hold, or without any mark for longer than a day.",
}
STUCK_AFTER = dt.timedelta(hours=26)


@dataclass(frozen=True)
class Range:
    """Days from ``first`` to ``last``, both included, on the office's clock."""

    first: dt.date
    last: dt.date
    start: dt.datetime
    end: dt.datetime

    @property
    def days(self) -> int:
        """How many days."""
        return (self.last - self.first).days + 1

    @property
    def before(self) -> Range:
        """The range of the same length just before."""
        return make_range(
            self.first - dt.timedelta(days=self.days), self.first - dt.timedelta(days=1)
        )


def make_range(first: dt.date, last: dt.date) -> Range:
    """Return the range of days on the office's clock."""
    zone = Office.get().zone
    start = dt.datetime.combine(first, dt.time(), zone)
    end = dt.datetime.combine(last + dt.timedelta(days=1), dt.time(), zone)
    return Range(first, last, start, end)


@dataclass(frozen=True)
class Rate:
    """k of n with its interval."""

    k: int
    n: int

    @property
    def value(self) -> float | None:
        """The rate, None of nothing."""
        return self.k / self.n if self.n else None

    @property
    def low(self) -> float:
        """Lower end of Wilson's 95 % interval."""
        return wilson(self.k, self.n)[0]

    @property
    def high(self) -> float:
        """Upper end."""
        return wilson(self.k, self.n)[1]


@dataclass
class StageYield:
    """First-pass yield of one stage."""

    stage: Stage
    rate: Rate


@dataclass
class Figures:
    """The figures of one range."""

    on_time: Rate
    ready: int
    handed_over: int
    lead_median: float | None
    lead_p90: float | None
    yields: list[StageYield]
    rolled: float | None
    causes: list[tuple[str, int, float]]
    failures: int
    remakes: int
    in_progress: float
    arrivals_per_day: float
    mean_days: float | None
    little: float | None
    stuck: list[Appliance] = field(default_factory=list)


def promises(span: Range) -> QuerySet[Promise]:
    """Return the promises due in the range that count: settled, or overdue by now."""
    now = timezone.now()
    return Promise.objects.filter(
        superseded_at=None,
        due_at__gte=span.start,
        due_at__lt=span.end,
        order__cancelled_at=None,
    ).filter(Q(kept__isnull=False) | Q(due_at__lt=now))


def handed_over(span: Range) -> QuerySet[Appliance]:
    """Return the appliances handed over in the range."""
    return Appliance.objects.filter(delivered_at__gte=span.start, delivered_at__lt=span.end)


def became_ready(span: Range) -> QuerySet[Appliance]:
    """Return the appliances that became ready in the range."""
    return Appliance.objects.filter(ready_at__gte=span.start, ready_at__lt=span.end)


def failures(span: Range) -> QuerySet[StageEvent]:
    """Return the failures in the range that were not taken back."""
    return StageEvent.objects.filter(
        action=StageEvent.Action.FAIL, at__gte=span.start, at__lt=span.end, undone_by=None
    )


def remakes(span: Range) -> QuerySet[Appliance]:
    """Return the remakes opened in the range, lost ones (replacements) apart."""
    return Appliance.objects.filter(
        remake_of__isnull=False, created_at__gte=span.start, created_at__lt=span.end
    ).exclude(order__purpose=Order.Purpose.REPLACEMENT)


def stuck() -> QuerySet[Appliance]:
    """Return what is on hold or has had no mark for long."""
    old = timezone.now() - STUCK_AFTER
    return (
        Appliance.objects.filter(status__in=OPEN_STATUSES)
        .exclude(status=Appliance.Status.READY)
        .filter(Q(status=Appliance.Status.HELD) | Q(stage_since__lt=old))
        .exclude(stage__code="scan")
    )


def lead_times(span: Range) -> list[tuple[dt.datetime, dt.datetime]]:
    """Return (usable scan, hand-over) of what was ordered new and handed over in the range."""
    rows = (
        handed_over(span)
        .exclude(order__purpose=Order.Purpose.MAKE_AHEAD)
        .order_by("delivered_at")
        .values_list("scanned_at", "delivered_at")
    )
    return [(scanned, out) for scanned, out in rows if scanned and out]


def figures(span: Range, *, with_stuck: bool = True) -> Figures:
    """Compute every figure of the range, in a fixed number of queries."""
    kept = promises(span).aggregate(n=Count("pk"), k=Count("pk", filter=Q(kept=True)))
    lead = [(out - scanned).total_seconds() / 60 for scanned, out in lead_times(span)]
    yields = _yields(span)
    known = [y.rate.value for y in yields if y.rate.value is not None]
    causes = _causes(span)
    flow = _flow(span)
    return Figures(
        on_time=Rate(kept["k"], kept["n"]),
        ready=became_ready(span).count(),
        handed_over=handed_over(span).count(),
        lead_median=percentile(lead, 0.5),
        lead_p90=percentile(lead, 0.9),
        yields=yields,
        rolled=rolled_yield(known) if known else None,
        causes=pareto(causes),
        failures=failures(span).count(),
        remakes=remakes(span).count(),
        stuck=list(stuck().select_related("stage", "order__patient", "kind")[:50])
        if with_stuck
        else [],
        in_progress=flow.number,
        arrivals_per_day=flow.rate,
        mean_days=flow.mean_days,
        little=flow.gap,
    )


def first_results(span: Range) -> QuerySet[StageEvent]:
    """Return each appliance's first result (finish or failure) at a stage, if in the range."""
    results = StageEvent.objects.filter(
        action__in=[StageEvent.Action.FINISH, StageEvent.Action.FAIL], undone_by=None
    )
    earlier = results.filter(
        appliance=OuterRef("appliance"), stage=OuterRef("stage"), seq__lt=OuterRef("seq")
    )
    return results.filter(at__gte=span.start, at__lt=span.end).filter(~Exists(earlier))


def _yields(span: Range) -> list[StageYield]:
    counts: Counter[int] = Counter()
    good: Counter[int] = Counter()
    for stage, action, number in (
        first_results(span).values_list("stage", "action").annotate(n=Count("pk"))
    ):
        counts[stage] += number
        if action == StageEvent.Action.FINISH:
            good[stage] += number
    return [
        StageYield(stage, Rate(good[stage.pk], counts[stage.pk]))
        for stage in Stage.objects.exclude(code="delivery")
        if counts[stage.pk]
    ]


def _causes(span: Range) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for name, number in failures(span).values_list("cause__name").annotate(n=Count("pk")):
        counts[name or "No cause recorded"] += number
    for name, number in remakes(span).values_list("remake_cause__name").annotate(n=Count("pk")):
        counts[name or "No cause recorded"] += number
    return dict(counts)


@dataclass(frozen=True)
class Flow:
    """Average work in progress, arrivals a day, days in it, and the gap to Little's law."""

    number: float
    rate: float
    mean_days: float | None
    gap: float | None


def _flow(span: Range) -> Flow:
    """Return average work in progress, arrivals, time in it, and the gap to Little's law."""
    end = min(span.end, timezone.now())
    total = (end - span.start).total_seconds() / 86400
    rows = (
        Appliance.objects.filter(scanned_at__lt=end)
        .filter(Q(ready_at__gte=span.start) | Q(ready_at=None, status__in=OPEN_STATUSES))
        .values_list("scanned_at", "ready_at")
    )
    present = 0.0
    arrived = 0
    stays = []
    for scanned, ready in rows:
        if scanned is None:
            continue
        left = min(ready or end, end)
        present += max((left - max(scanned, span.start)).total_seconds(), 0.0) / 86400
        arrived += scanned >= span.start
        if ready and ready < end and scanned >= span.start:
            stays.append((ready - scanned).total_seconds() / 86400)
    number = present / total if total > 0 else 0.0
    rate = arrived / total if total > 0 else 0.0
    mean = sum(stays) / len(stays) if stays else None
    gap = little_gap(rate, mean, number) if mean is not None else None
    return Flow(number, rate, mean, gap)


@dataclass(frozen=True)
class Bin:
    """Promises agreed at about one probability, and how many were kept."""

    low: float
    high: float
    predicted: float
    rate: Rate


EDGES = (0.0, 0.5, 0.8, 0.9, 0.95, 0.975, 1.0001)


def reliability(span: Range) -> list[Bin]:
    """Compare the probability stated when promises were agreed with what happened."""
    rows = promises(span).filter(p_kept_at_agreement__isnull=False, kept__isnull=False)
    pairs = [
        (p, bool(kept))
        for p, kept in rows.values_list("p_kept_at_agreement", "kept")
        if p is not None
    ]
    bins = []
    for low, high in pairwise(EDGES):
        inside = [(p, kept) for p, kept in pairs if low <= p < high]
        if inside:
            mean = sum(p for p, _ in inside) / len(inside)
            bins.append(
                Bin(low, min(high, 1.0), mean, Rate(sum(k for _, k in inside), len(inside)))
            )
    return bins

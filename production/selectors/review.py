"""What the doctor reviews over a range of days: promises, lead time, yield, remakes, what is stuck.

Every figure has a definition, shown on the page, and a list of the records behind it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field

from django.db.models import Q, QuerySet
from django.utils import timezone

from production.models import Appliance, Stage
from production.models.bench import OPEN_STATUSES
from production.selectors import counting
from production.selectors.facts import Facts, day_start, facts, lead_percentile, total
from production.statistics import little_gap, pareto, rolled_yield, wilson

DEFINITIONS = {
    "on_time": "Promises due in the range whose appliances were all ready by the agreed time, "
    "out of those due in it that are settled or overdue. A moved promise counts with its last "
    "time. The interval is Wilson's, 95 %.",
    "lead_time": "From the usable scan to the hand-over, of appliances handed over in the range "
    "that were not made ahead: the median, and the value nine of ten stay below, counted in "
    "steps of five minutes.",
    "throughput": "Appliances that became ready in the range.",
    "first_pass": "Of the appliances whose first result at the stage fell in the range, the share "
    "that finished it without a failure. Work that was taken back does not count. The interval "
    "is Wilson's, 95 %.",
    "rolled": "The product of the first-pass yields of all stages: the chance that an appliance "
    "goes through all of them without a failure.",
    "remakes": "Failures at a stage and remakes after hand-over, by the cause that was recorded.",
    "in_progress": "Average number of appliances between scan and ready. Little's law says that it "
    "equals the arrivals per day times the days each stays; a large gap means that marks are "
    "missing or that the range is not a steady state.",
    "stuck": "Open appliances past the scan that are on hold, or without any mark for longer than "
    "a day.",
    "failures": "Of the appliances that became ready in the week, those that had failed at a stage "
    "before or were themselves a remake.",
}
STUCK_AFTER = dt.timedelta(hours=26)
WEEKLY_UP_TO_DAYS = 400
DAILY_UP_TO_DAYS = 62


@dataclass(frozen=True)
class Range:
    """Days from ``first`` to ``last``, both included, on the office's clock."""

    first: dt.date
    last: dt.date

    @property
    def days(self) -> int:
        """How many days."""
        return (self.last - self.first).days + 1

    @property
    def start(self) -> dt.datetime:
        """The instant at which it begins."""
        return day_start(self.first)

    @property
    def end(self) -> dt.datetime:
        """The instant at which it is over."""
        return day_start(self.last + dt.timedelta(days=1))

    @property
    def before(self) -> Range:
        """The range of the same length just before."""
        step = dt.timedelta(days=self.days)
        return Range(self.first - step, self.last - step)


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


@dataclass(frozen=True)
class StageYield:
    """First-pass yield of one stage."""

    stage: Stage
    rate: Rate


@dataclass(frozen=True)
class Band:
    """Promises stated with about one probability, and how many were kept."""

    stated: float
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
    little: float | None
    bands: list[Band] = field(default_factory=list)


def figures(span: Range) -> Figures:
    """Return every figure of the range."""
    return assemble(total(facts(span.first, span.last).values()), elapsed_days(span))


def elapsed_days(span: Range) -> float:
    """Return how many days of the range have passed by now."""
    end = min(span.end, timezone.now())
    return max((end - span.start).total_seconds() / 86400, 0.0)


def assemble(found: Facts, days: float) -> Figures:
    """Turn counted facts of ``days`` days into figures."""
    yields = [
        StageYield(stage, Rate(found.good[stage.code], found.results[stage.code]))
        for stage in Stage.objects.exclude(code="delivery")
        if found.results[stage.code]
    ]
    known = [y.rate.value for y in yields if y.rate.value is not None]
    number = found.present_days / days if days else 0.0
    rate = found.arrived / days if days else 0.0
    stay = found.stay_days / found.left if found.left else None
    return Figures(
        on_time=Rate(found.kept, found.due),
        ready=found.ready,
        handed_over=found.handed_over,
        lead_median=lead_percentile(found.lead, 0.5),
        lead_p90=lead_percentile(found.lead, 0.9),
        yields=yields,
        rolled=rolled_yield(known) if known else None,
        causes=pareto(dict(found.causes)),
        failures=found.failures,
        remakes=found.remakes,
        in_progress=number,
        arrivals_per_day=rate,
        little=little_gap(rate, stay, number) if stay is not None else None,
        bands=[
            Band(
                found.band_stated[band] / found.band_count[band],
                Rate(found.band_kept[band], found.band_count[band]),
            )
            for band in sorted(found.band_count, key=float)
        ],
    )


def handed_over(span: Range) -> QuerySet[Appliance]:
    """Return the appliances handed over in the range."""
    return Appliance.objects.filter(delivered_at__gte=span.start, delivered_at__lt=span.end)


def became_ready(span: Range) -> QuerySet[Appliance]:
    """Return the appliances that became ready in the range."""
    return Appliance.objects.filter(ready_at__gte=span.start, ready_at__lt=span.end)


def stuck() -> QuerySet[Appliance]:
    """Return what is on hold or has had no mark for long."""
    old = timezone.now() - STUCK_AFTER
    return (
        Appliance.objects.filter(status__in=OPEN_STATUSES)
        .exclude(status=Appliance.Status.READY)
        .filter(Q(status=Appliance.Status.HELD) | Q(stage_since__lt=old))
        .exclude(stage__code="scan")
    )


def behind(span: Range, what: str, name: str) -> tuple[QuerySet[Appliance], str] | None:
    """Return the appliances behind a figure, and what they are; None for an unknown figure."""
    every = Appliance.objects.order_by("-created_at")
    promises = counting.promises(span.start, span.end)
    failures = counting.failures(span.start, span.end)
    remakes = counting.remakes(span.start, span.end)
    lists: dict[str, Callable[[], tuple[QuerySet[Appliance], str]]] = {
        "on-time": lambda: (
            every.filter(order__in=promises.filter(kept=True).values("order")),
            "Promises kept",
        ),
        "missed": lambda: (
            every.filter(order__in=promises.exclude(kept=True).values("order")),
            "Promises missed or overdue",
        ),
        "ready": lambda: (became_ready(span).order_by("-ready_at"), "Became ready"),
        "handed-over": lambda: (handed_over(span).order_by("-delivered_at"), "Handed over"),
        "stuck": lambda: (stuck().order_by("stage_since"), "Stuck"),
        "remakes": lambda: (remakes.order_by("-created_at"), "Remakes"),
        "cause": lambda: (
            every.filter(
                Q(pk__in=failures.filter(cause__name=name).values("appliance"))
                | Q(pk__in=remakes.filter(remake_cause__name=name).values("pk"))
            ),
            f"Cause: {name}",
        ),
        "stage": lambda: (
            every.filter(pk__in=failures.filter(stage__code=name).values("appliance")),
            f"Failed at {name}",
        ),
    }
    return lists[what]() if what in lists else None


def periods(span: Range) -> list[tuple[str, Facts]]:
    """Return the facts of the range by week, or by month when it is long."""
    groups: dict[str, Facts] = {}
    for day, found in facts(span.first, span.last).items():
        if span.days <= WEEKLY_UP_TO_DAYS:
            monday = day - dt.timedelta(days=day.weekday())
            label = f"{monday.day} {monday:%b}"
        else:
            label = f"{day:%b %Y}"
        groups.setdefault(label, Facts()).add(found)
    return list(groups.items())


def lead_by_period(span: Range) -> list[tuple[str, float]]:
    """Return the median hours from scan to hand-over by day, or by week or month when long."""
    if span.days > DAILY_UP_TO_DAYS:
        rows = periods(span)
    else:
        rows = [(f"{d.day} {d:%b}", f) for d, f in facts(span.first, span.last).items()]
    medians = [(label, lead_percentile(found.lead, 0.5)) for label, found in rows]
    return [(label, value / 60) for label, value in medians if value is not None]

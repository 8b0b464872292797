"""What the doctor reviews over a range of days: promises, lead time, yield, remakes, what is stuck.

Every figure has a definition (``definitions``), shown on the page, and a list of the records
behind it (``behind``).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from django.db.models import Q, QuerySet
from django.utils import timezone

from production.models import Appliance, Stage
from production.models.bench import OPEN_STATUSES
from production.selectors.review.days import facts
from production.selectors.review.facts import Facts, day_start, lead_percentile, total
from production.statistics import difference, little_gap, pareto, rolled_yield, wilson

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
    def query(self) -> str:
        """How an address names it."""
        return f"from={self.first}&to={self.last}"

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
        return wilson(min(self.k, self.n), self.n)[0]

    @property
    def high(self) -> float:
        """Upper end."""
        return wilson(min(self.k, self.n), self.n)[1]


@dataclass(frozen=True)
class StageYield:
    """First-pass yield of one stage."""

    stage: Stage
    rate: Rate


@dataclass(frozen=True)
class Band:
    """Promises stated with about one probability, and how many were kept."""

    key: str
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
    failed: Rate
    in_progress: float
    stay_hours: float | None
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
        failed=Rate(found.ready_bad, found.ready),
        in_progress=number,
        stay_hours=stay * 24 if stay is not None else None,
        arrivals_per_day=rate,
        little=little_gap(rate, stay, number) if stay is not None else None,
        bands=[
            Band(
                band,
                found.band_stated[band] / found.band_count[band],
                Rate(found.band_kept[band], found.band_count[band]),
            )
            for band in sorted(found.band_count, key=float)
        ],
    )


def stuck() -> QuerySet[Appliance]:
    """Return what is on hold or has had no mark for long."""
    old = timezone.now() - STUCK_AFTER
    return (
        Appliance.objects.filter(status__in=OPEN_STATUSES)
        .exclude(status=Appliance.Status.READY)
        .filter(Q(status=Appliance.Status.HELD) | Q(stage_since__lt=old))
        .exclude(stage__code="scan")
    )


@dataclass(frozen=True)
class Period:
    """A week or a month, as far as it lies in the range, with what was counted in it."""

    label: str
    span: Range
    facts: Facts


def periods(days: Mapping[dt.date, Facts]) -> list[Period]:
    """Return the facts by week, or by month when the range is long."""
    groups: dict[str, Facts] = {}
    within: dict[str, list[dt.date]] = {}
    for day, found in days.items():
        if len(days) <= WEEKLY_UP_TO_DAYS:
            monday = day - dt.timedelta(days=day.weekday())
            label = f"{monday.day} {monday:%b}"
        else:
            label = f"{day:%b %Y}"
        groups.setdefault(label, Facts()).add(found)
        within.setdefault(label, []).append(day)
    return [
        Period(label, Range(min(within[label]), max(within[label])), found)
        for label, found in groups.items()
    ]


def change(now: Rate, before: Rate, *, more_is_better: bool = True) -> str:
    """Say whether a rate differs from the range before by more than chance (Newcombe, 95 %)."""
    if not now.n or not before.n:
        return ""
    low, high = difference(now.k, now.n, before.k, before.n)
    if low <= 0 <= high:
        return "no clear change"
    return "better" if (low > 0) == more_is_better else "worse"

"""Counting what happened, day by day: the ground that every figure of the review stands on.

A day's facts add up: the facts of a range are the sum of its days. Days that are over
for good are kept as ``DaySummary`` rows; the rest is counted from the records, in a
fixed number of queries.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from clinic.models import Office
from production.models import Appliance, DaySummary, Order, Promise, StageEvent
from production.models.bench import OPEN_STATUSES

#: Lead times are counted in steps of five minutes.
LEAD_STEP = 5
#: Stated probabilities are compared with what happened in these bands.
BANDS = (0.0, 0.5, 0.8, 0.9, 0.95, 0.975)
#: A day is over for good when nobody corrects it any more.
SETTLED_AFTER_DAYS = 3


@dataclass
class Facts:
    """What is counted; everything adds up over days. JSON-ready."""

    due: int = 0
    kept: int = 0
    ready: int = 0
    ready_bad: int = 0
    handed_over: int = 0
    failures: int = 0
    remakes: int = 0
    arrived: int = 0
    present_days: float = 0.0
    left: int = 0
    stay_days: float = 0.0
    lead: Counter[str] = field(default_factory=Counter)
    results: Counter[str] = field(default_factory=Counter)
    good: Counter[str] = field(default_factory=Counter)
    causes: Counter[str] = field(default_factory=Counter)
    band_count: Counter[str] = field(default_factory=Counter)
    band_kept: Counter[str] = field(default_factory=Counter)
    band_stated: Counter[str] = field(default_factory=Counter)

    def add(self, other: Facts) -> None:
        """Add another day."""
        for name, value in vars(other).items():
            if isinstance(value, Counter):
                getattr(self, name).update(value)
            else:
                setattr(self, name, getattr(self, name) + value)

    def stored(self) -> dict[str, Any]:
        """Return the facts ready for JSON."""
        return {n: dict(v) if isinstance(v, Counter) else v for n, v in vars(self).items()}

    @classmethod
    def read(cls, data: dict[str, Any]) -> Facts:
        """Return stored facts."""
        found = cls()
        for name, value in data.items():
            setattr(found, name, Counter(value) if isinstance(value, dict) else value)
        return found


def day_start(day: dt.date) -> dt.datetime:
    """Return midnight at the beginning of ``day`` on the office's clock."""
    return dt.datetime.combine(day, dt.time(), Office.get().zone)


def promises(start: dt.datetime, end: dt.datetime) -> QuerySet[Promise]:
    """Return the promises due in the range that count: settled, or overdue by now."""
    return Promise.objects.filter(
        superseded_at=None, due_at__gte=start, due_at__lt=end, order__cancelled_at=None
    ).filter(Q(kept__isnull=False) | Q(due_at__lt=timezone.now()))


def failures(start: dt.datetime, end: dt.datetime) -> QuerySet[StageEvent]:
    """Return the failures in the range that were not taken back."""
    return StageEvent.objects.filter(
        action=StageEvent.Action.FAIL, at__gte=start, at__lt=end, undone_by=None
    )


def remakes(start: dt.datetime, end: dt.datetime) -> QuerySet[Appliance]:
    """Return the remakes opened in the range, replacements of lost ones apart."""
    return Appliance.objects.filter(
        remake_of__isnull=False, created_at__gte=start, created_at__lt=end
    ).exclude(order__purpose=Order.Purpose.REPLACEMENT)


def first_results(start: dt.datetime, end: dt.datetime) -> QuerySet[StageEvent]:
    """Return each appliance's first result (finish or failure) at a stage, if in the range."""
    outcomes = StageEvent.objects.filter(
        action__in=[StageEvent.Action.FINISH, StageEvent.Action.FAIL], undone_by=None
    )
    earlier = outcomes.filter(
        appliance=OuterRef("appliance"), stage=OuterRef("stage"), seq__lt=OuterRef("seq")
    )
    return outcomes.filter(at__gte=start, at__lt=end).filter(~Exists(earlier))


def count(first: dt.date, last: dt.date) -> dict[dt.date, Facts]:
    """Count the facts of every day from ``first`` to ``last``, both included."""
    zone = Office.get().zone
    start, end = day_start(first), day_start(last + dt.timedelta(days=1))
    days = {first + dt.timedelta(days=n): Facts() for n in range((last - first).days + 1)}

    def on(moment: dt.datetime) -> Facts:
        return days[moment.astimezone(zone).date()]

    rows = promises(start, end).values_list("due_at", "kept", "p_kept_at_agreement")
    for due_at, kept, stated in rows:
        facts = on(due_at)
        facts.due += 1
        facts.kept += bool(kept)
        if stated is not None:
            band = str(max(b for b in BANDS if b <= stated))
            facts.band_count[band] += 1
            facts.band_kept[band] += bool(kept)
            facts.band_stated[band] += stated  # type: ignore[assignment]
    _made(start, end, on)
    for stage, action, at in first_results(start, end).values_list("stage__code", "action", "at"):
        facts = on(at)
        facts.results[stage] += 1
        facts.good[stage] += action == StageEvent.Action.FINISH
    for cause, at in failures(start, end).values_list("cause__name", "at"):
        facts = on(at)
        facts.failures += 1
        facts.causes[cause or "No cause recorded"] += 1
    for cause, at in remakes(start, end).values_list("remake_cause__name", "created_at"):
        facts = on(at)
        facts.remakes += 1
        facts.causes[cause or "No cause recorded"] += 1
    _present(days, start, end)
    return days


def _made(start: dt.datetime, end: dt.datetime, on: Any) -> None:
    failed = StageEvent.objects.filter(
        appliance=OuterRef("pk"), action=StageEvent.Action.FAIL, undone_by=None
    )
    ready = (
        Appliance.objects.filter(ready_at__gte=start, ready_at__lt=end)
        .annotate(failed=Exists(failed))
        .values_list("ready_at", "scanned_at", "failed", "remake_of")
    )
    for ready_at, scanned_at, bad, remake_of in ready:
        facts = on(ready_at)
        facts.ready += 1
        facts.ready_bad += bool(bad or remake_of)
        if scanned_at and ready_at:
            facts.left += 1
            facts.stay_days += (ready_at - scanned_at).total_seconds() / 86400
    out = Appliance.objects.filter(delivered_at__gte=start, delivered_at__lt=end)
    for delivered_at, scanned_at, purpose in out.values_list(
        "delivered_at", "scanned_at", "order__purpose"
    ):
        facts = on(delivered_at)
        facts.handed_over += 1
        if scanned_at and delivered_at and purpose != Order.Purpose.MAKE_AHEAD:
            minutes = (delivered_at - scanned_at).total_seconds() / 60
            facts.lead[str(int(minutes // LEAD_STEP) * LEAD_STEP)] += 1


def _present(days: dict[dt.date, Facts], start: dt.datetime, end: dt.datetime) -> None:
    """Share out the time that appliances spent between scan and ready over the days."""
    zone = Office.get().zone
    until = min(end, timezone.now())
    rows = (
        Appliance.objects.filter(scanned_at__lt=until)
        .filter(Q(ready_at__gte=start) | Q(ready_at=None, status__in=OPEN_STATUSES))
        .values_list("scanned_at", "ready_at")
    )
    for scanned, ready in rows:
        if scanned is None:
            continue
        if scanned >= start:
            days[scanned.astimezone(zone).date()].arrived += 1
        here, left = max(scanned, start), min(ready or until, until)
        while here < left:
            day = here.astimezone(zone).date()
            midnight = day_start(day + dt.timedelta(days=1))
            days[day].present_days += (min(left, midnight) - here).total_seconds() / 86400
            here = midnight


def facts(first: dt.date, last: dt.date) -> dict[dt.date, Facts]:
    """Return the facts of every day of a range: kept summaries, and the rest counted now."""
    stored = {
        day: Facts.read(data)
        for day, data in DaySummary.objects.filter(date__range=(first, last)).values_list(
            "date", "facts"
        )
    }
    missing = [
        day
        for day in (first + dt.timedelta(days=n) for n in range((last - first).days + 1))
        if day not in stored
    ]
    if missing:
        counted = count(missing[0], missing[-1])
        stored |= {day: counted[day] for day in missing}
    return dict(sorted(stored.items()))


def total(days: Iterable[Facts]) -> Facts:
    """Return the sum of some days."""
    found = Facts()
    for day in days:
        found.add(day)
    return found


def summarise(today: dt.date, chunk: int = 60) -> int:
    """Keep the facts of every settled day that has none yet; return how many were added."""
    last = today - dt.timedelta(days=SETTLED_AFTER_DAYS)
    known = DaySummary.objects.order_by("-date").values_list("date", flat=True).first()
    if known is None:
        oldest = Appliance.objects.order_by("created_at").values_list("created_at").first()
        if oldest is None:
            return 0
        first = oldest[0].astimezone(Office.get().zone).date()
    else:
        first = known + dt.timedelta(days=1)
    added = 0
    while first <= last:
        stop = min(first + dt.timedelta(days=chunk - 1), last)
        rows = [
            DaySummary(date=day, facts=found.stored()) for day, found in count(first, stop).items()
        ]
        DaySummary.objects.bulk_create(rows, ignore_conflicts=True)
        added += len(rows)
        first = stop + dt.timedelta(days=1)
    return added


def lead_percentile(lead: Counter[str], level: float) -> float | None:
    """Return a percentile of the lead time in minutes, within the counting step."""
    size = sum(lead.values())
    if not size:
        return None
    wanted, seen = level * size, 0.0
    for step, number in sorted((int(k), n) for k, n in lead.items()):
        if seen + number >= wanted:
            return step + LEAD_STEP * (wanted - seen) / number
        seen += number
    return None

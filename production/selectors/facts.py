"""What a day came to, as counts that add up: the ground that every figure of the review stands on.

The facts of a range are the sum of its days. Days that are over are kept as ``DaySummary``
rows; today, and whatever is not kept yet, is counted from the records in a fixed number of
queries (``production.selectors.counting``). Whatever touches a day that is over makes
``DaySummary.forget`` drop it, so a kept day is never stale.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Max, Min
from django.utils import timezone

from clinic.clock import office_zone
from production.models import Appliance, DaySummary, StageEvent

#: Lead times are counted in steps of five minutes.
LEAD_STEP = 5
#: Stated probabilities are compared with what happened in these bands.
BANDS = (0.0, 0.5, 0.8, 0.9, 0.95, 0.975)


@dataclass
class Facts:
    """What is counted; everything adds up over days. JSON-ready.

    ``tries``, ``failed`` and ``remade`` are keyed ``stage:print``, ``machine:3``, ``lot:12``
    or ``person:4``.
    """

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
    # Where work fails.
    tries: Counter[str] = field(default_factory=Counter)
    failed: Counter[str] = field(default_factory=Counter)
    remade: Counter[str] = field(default_factory=Counter)
    # What it costs: money by kind of material; minutes of hands by stage, out of the results
    # that were timed and of all there were.
    material_cost: Counter[str] = field(default_factory=Counter)
    hand_minutes: Counter[str] = field(default_factory=Counter)
    hand_timed: Counter[str] = field(default_factory=Counter)
    hand_results: Counter[str] = field(default_factory=Counter)
    # What the machines could do and did, in minutes inside opening hours, by machine.
    open_minutes: float = 0.0
    down_minutes: Counter[str] = field(default_factory=Counter)
    run_minutes: Counter[str] = field(default_factory=Counter)
    loads: Counter[str] = field(default_factory=Counter)
    in_loads: Counter[str] = field(default_factory=Counter)

    def add(self, other: Facts) -> None:
        """Add another day."""
        mine = vars(self)
        for name, value in vars(other).items():
            if isinstance(value, Counter):
                sums = mine[name]
                known = sums.get
                for key, number in value.items():
                    sums[key] = known(key, 0) + number
            else:
                mine[name] += value

    def stored(self) -> dict[str, Any]:
        """Return the facts ready for JSON, without what is empty."""
        return {n: dict(v) if isinstance(v, Counter) else v for n, v in vars(self).items() if v}

    @classmethod
    def read(cls, data: dict[str, Any]) -> Facts:
        """Return stored facts."""
        found = cls()
        for name, value in data.items():
            setattr(found, name, Counter(value) if isinstance(value, dict) else value)
        return found


def day_start(day: dt.date, zone: ZoneInfo | None = None) -> dt.datetime:
    """Return midnight at the beginning of ``day`` on the office's clock, or in ``zone``."""
    return dt.datetime.combine(day, dt.time(), zone or office_zone())


def first_day() -> dt.date | None:
    """Return the day of the first appliance; there is nothing to count before it."""
    oldest = Appliance.objects.aggregate(m=Min("created_at"))["m"]
    return oldest.astimezone(office_zone()).date() if oldest else None


def facts(first: dt.date, last: dt.date) -> dict[dt.date, Facts]:
    """Return the facts of every day of a range: kept summaries, and the rest counted now."""
    from production.selectors.counting import count

    kept = DaySummary.objects.filter(date__range=(first, last)).values_list("date", "facts")
    found = {day: Facts.read(data) for day, data in kept}
    days = [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
    oldest, today = first_day(), timezone.now().astimezone(office_zone()).date()
    missing = [d for d in days if d not in found and oldest is not None and oldest <= d <= today]
    if missing:
        counted = count(missing[0], missing[-1])
        found |= {day: counted[day] for day in missing}
    return {day: found.get(day) or Facts() for day in days}


def total(days: Iterable[Facts]) -> Facts:
    """Return the sum of some days."""
    found = Facts()
    for day in days:
        found.add(day)
    return found


def summarise(today: dt.date, chunk: int = 10) -> int:
    """Keep the facts of every day before ``today`` that has none yet; return how many."""
    from production.selectors.counting import count

    oldest = first_day()
    if oldest is None:
        return 0
    kept = set(DaySummary.objects.values_list("date", flat=True))
    days = [oldest + dt.timedelta(days=n) for n in range((today - oldest).days)]
    missing = [day for day in days if day not in kept]
    for start in range(0, len(missing), chunk):
        some = missing[start : start + chunk]
        last_event = StageEvent.objects.aggregate(m=Max("pk"))["m"] or 0
        counted = count(some[0], some[-1])
        with transaction.atomic():
            DaySummary.objects.bulk_create(
                [DaySummary(date=day, facts=counted[day].stored()) for day in some],
                ignore_conflicts=True,
            )
        # Something of these days may have been recorded between counting and keeping.
        end = day_start(some[-1] + dt.timedelta(days=1))
        late = StageEvent.objects.filter(pk__gt=last_event, at__lt=end).aggregate(m=Min("at"))["m"]
        if late is not None:
            DaySummary.forget(late)
    return len(missing)


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

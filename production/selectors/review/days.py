"""The facts of a range of days: what is kept of days that are over, and the rest counted now.

Days that are over are kept as ``DaySummary`` rows; today, and whatever is not kept yet, is
counted from the records in a fixed number of queries. Whatever touches a day that is over
makes ``DaySummary.forget`` drop it, so a kept day is never stale.
"""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import Max, Min
from django.utils import timezone

from clinic.clock import office_zone
from production.models import Appliance, DaySummary, StageEvent
from production.selectors.review.counting import count
from production.selectors.review.facts import Facts, day_start


def first_day() -> dt.date | None:
    """Return the day of the first appliance; there is nothing to count before it."""
    oldest = Appliance.objects.aggregate(m=Min("created_at"))["m"]
    return oldest.astimezone(office_zone()).date() if oldest else None


def facts(first: dt.date, last: dt.date) -> dict[dt.date, Facts]:
    """Return the facts of every day of a range: kept summaries, and the rest counted now."""
    kept = DaySummary.objects.filter(date__range=(first, last)).values_list("date", "facts")
    found = {day: Facts.read(data) for day, data in kept}
    days = [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
    oldest, today = first_day(), timezone.now().astimezone(office_zone()).date()
    missing = [d for d in days if d not in found and oldest is not None and oldest <= d <= today]
    if missing:
        counted = count(missing[0], missing[-1])
        found |= {day: counted[day] for day in missing}
    return {day: found.get(day) or Facts() for day in days}


def summarise(today: dt.date, chunk: int = 10) -> int:
    """Keep the facts of every day before ``today`` that has none yet; return how many."""
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

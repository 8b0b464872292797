"""Time passes also where nothing happens: a plan of some minutes ago is made anew."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone

from clinic.models import Office
from production import work
from production.models import Appliance, Plan
from production.models.bench import OPEN_STATUSES
from production.scheduling.hours import open_spans

__all__ = ["ask_when_old"]

#: A step that should have begun by now makes every promise behind it less likely.
OLD = dt.timedelta(minutes=3)


def ask_when_old() -> bool:
    """Ask for a plan when the office is open, work is open and the last plan is old."""
    now = timezone.now()
    last = Plan.objects.order_by("-pk").values_list("origin", flat=True).first()
    if last is not None and now - last < OLD:
        return False
    if not any(start <= now < end for start, end in open_spans(Office.get(), now, days=1)):
        return False
    if not Appliance.objects.filter(status__in=OPEN_STATUSES).exists():
        return False
    work.ask("plan", coalesce=True)
    return True

"""A material gets its first price: what was taken of it before is counted anew with it."""

from __future__ import annotations

from django.db.models import Min

from production.models import DaySummary, LotUse, Material


def first_price(material: Material) -> None:
    """Drop the kept figures since ``material`` was first used; without a price they lack it."""
    since = LotUse.objects.filter(lot__material=material).aggregate(m=Min("event__at"))["m"]
    if since is not None:
        DaySummary.forget(since)

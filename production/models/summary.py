"""What a finished day came to, so that years can be reviewed without reading every event."""

from __future__ import annotations

import datetime as dt

from django.db import models
from django.utils import timezone

from clinic.models import Office

#: What happened this recently is hardly ever of another day; the rest is looked at.
RECENT = dt.timedelta(seconds=1)


class DaySummary(models.Model):
    """The facts of one day on the office's clock (``production.selectors.review.counting``)."""

    date = models.DateField(unique=True)
    facts = models.JSONField()
    made_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["date"]
        verbose_name_plural = "day summaries"

    @classmethod
    def forget(cls, moment: dt.datetime) -> None:
        """Drop the summaries from the day of ``moment`` on: something of that day has changed.

        The days after it go too, because an appliance that is not ready after all was in
        progress on each of them. They are counted anew when next asked for.
        """
        if timezone.now() - moment > RECENT:
            cls.objects.filter(date__gte=moment.astimezone(Office.get().zone).date()).delete()

"""What a finished day came to, so that years can be reviewed without reading every event."""

from __future__ import annotations

from django.db import models
from django.utils import timezone


class DaySummary(models.Model):
    """The facts of one day on the office's clock, as ``production.selectors.facts`` counts them."""

    date = models.DateField(unique=True)
    facts = models.JSONField()
    made_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["date"]
        verbose_name_plural = "day summaries"

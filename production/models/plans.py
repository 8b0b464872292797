"""Published plans of the bench."""

from __future__ import annotations

from django.db import models
from django.utils import timezone


class Plan(models.Model):
    """A plan as it was published, and the state it was made for.

    ``state`` is a digest of the events it knew; a plan made for an older state is
    not published. ``steps`` is the planner's list, with times as minutes after ``origin``.
    """

    created_at = models.DateTimeField(default=timezone.now)
    origin = models.DateTimeField()
    state = models.CharField(max_length=64)
    problem = models.JSONField()
    steps = models.JSONField()
    objective = models.JSONField(default=dict)
    foresight = models.JSONField(default=dict)
    source = models.CharField(max_length=20, default="dispatch")
    seconds = models.FloatField(default=0)

    class Meta:
        ordering = ["-pk"]
        get_latest_by = "pk"


class LearnedTimes(models.Model):
    """Stage times fitted to the office's own records; the newest row is used.

    ``times`` maps “stage” or “stage|machine pk” to [median minutes, spread, records].
    """

    made_at = models.DateTimeField(default=timezone.now)
    times = models.JSONField(default=dict)
    day_spread = models.FloatField(default=0.0)
    day = models.DateField(null=True)
    day_shift = models.FloatField(default=0.0)
    day_spread_today = models.FloatField(default=0.0)
    records = models.PositiveIntegerField(default=0)
    doubted = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["-pk"]
        get_latest_by = "pk"
        verbose_name_plural = "learned times"

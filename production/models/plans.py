"""Published plans of the bench."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from clinic.models import User
from production.models.bench import Appliance
from production.models.catalog import Stage
from production.models.machines import Machine


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


class Wish(models.Model):
    """Where and when a person wants one stage of an appliance, kept by every plan.

    It counts until the stage has begun, or is taken back.
    """

    appliance = models.ForeignKey(Appliance, on_delete=models.CASCADE, related_name="wishes")
    stage = models.ForeignKey(Stage, on_delete=models.CASCADE, related_name="+")
    machine = models.ForeignKey(Machine, null=True, on_delete=models.CASCADE, related_name="+")
    not_before = models.DateTimeField(null=True)
    first = models.BooleanField(default=False)
    # Agreed with a pickup time that rests on it: begun earlier, the work would push a promise.
    for_promises = models.BooleanField(default=False)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["appliance", "stage"], name="one_wish_a_stage")
        ]
        verbose_name_plural = "wishes"


class FitAnswer(models.Model):
    """Which needed aligner steps could be started without harming the day's promises.

    ``state`` is the bench's digest that it was worked out for; ``take`` primary keys of
    steps; ``worst`` the largest added probability of missing a promise, against ``limit``.
    """

    made_at = models.DateTimeField(default=timezone.now)
    state = models.CharField(max_length=64)
    take = models.JSONField(default=list)
    worst = models.FloatField(default=0.0)
    limit = models.FloatField()

    class Meta:
        ordering = ["-pk"]
        get_latest_by = "pk"


class LearnedTimes(models.Model):
    """Stage times fitted to the office's own records; the newest row is used.

    ``times`` maps “stage@minutes of the route” to [median minutes, spread, records], and the
    same followed by “|machine|pk”, “|person|pk” or “|material|pk” to [factor] where the
    difference is clear.
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

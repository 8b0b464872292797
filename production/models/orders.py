"""Orders, promises and aligner series."""

from __future__ import annotations

import datetime as dt
import uuid

from django.db import models
from django.utils import timezone

from clinic.models import Patient, User, Visit
from production.models.catalog import ApplianceKind
from production.models.materials import Material


class Series(models.Model):
    """A patient's aligner steps, numbered from 1."""

    class Status(models.TextChoices):
        RUNNING = "running", "Running"
        PAUSED = "paused", "Paused"
        FINISHED = "finished", "Finished"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="series")
    started_on = models.DateField()
    wear_days = models.PositiveIntegerField(default=14)
    steps_upper = models.PositiveIntegerField(default=0)
    steps_lower = models.PositiveIntegerField(default=0)
    steps_per_visit = models.PositiveIntegerField(default=4)
    next_visit_on = models.DateField(null=True, blank=True)
    status = models.CharField(max_length=8, choices=Status, default=Status.RUNNING)
    paused_on = models.DateField(null=True, blank=True)
    paused_until = models.DateField(null=True, blank=True)  # worn on from that day, if known
    refinement_of = models.ForeignKey("self", null=True, blank=True, on_delete=models.SET_NULL)

    class Meta:
        ordering = ["next_visit_on"]
        verbose_name_plural = "series"

    @property
    def last_number(self) -> int:
        """The last number planned, of either arch."""
        return max(self.steps_upper, self.steps_lower)

    def rests(self, today: dt.date) -> bool:
        """Whether it is paused on that day."""
        over = self.paused_until is not None and self.paused_until <= today
        return self.status == self.Status.PAUSED and not over

    def began(self, today: dt.date) -> dt.date:
        """The first step's first day, moved on by a pause that has ended by itself."""
        if self.status != self.Status.PAUSED or self.rests(today):
            return self.started_on
        assert self.paused_on is not None
        assert self.paused_until is not None
        return self.started_on + (self.paused_until - self.paused_on)

    def worn(self, today: dt.date) -> tuple[int, dt.date]:
        """The step in the mouth, and its first day; 0 before the first one's day.

        A series at its end stays at the last step; while it is paused nothing goes on.
        """
        began = self.began(today)
        day = self.paused_on if self.rests(today) and self.paused_on is not None else today
        step = (day - began).days // self.wear_days + 1
        step = min(max(step, 0), self.last_number)
        return step, began + dt.timedelta(days=(step - 1) * self.wear_days)


class SeriesStep(models.Model):
    """One step of one arch; its model file comes from the series folder."""

    series = models.ForeignKey(Series, on_delete=models.CASCADE, related_name="steps")
    arch = models.CharField(max_length=5)
    number = models.PositiveIntegerField()
    file = models.ForeignKey("production.StoredFile", null=True, on_delete=models.PROTECT)
    cancelled = models.BooleanField(default=False)

    class Meta:
        ordering = ["number", "arch"]
        constraints = [
            models.UniqueConstraint(fields=["series", "arch", "number"], name="one_series_step"),
        ]


class Order(models.Model):
    """What the doctor prescribed. It opens one appliance per arch (and step)."""

    class Purpose(models.TextChoices):
        NEW = "new", "New"
        REMAKE = "remake", "Remake"
        REPLACEMENT = "replacement", "Replacement"
        MAKE_AHEAD = "make_ahead", "Made ahead"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="orders")
    kind = models.ForeignKey(ApplianceKind, on_delete=models.PROTECT, related_name="orders")
    visit = models.ForeignKey(
        Visit, null=True, blank=True, on_delete=models.SET_NULL, related_name="orders"
    )
    prescriber = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    purpose = models.CharField(max_length=12, choices=Purpose, default=Purpose.NEW)
    sheet = models.ForeignKey(
        Material, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    characteristics = models.TextField(blank=True, help_text="What the prescription asks for.")
    series = models.ForeignKey(
        Series, null=True, blank=True, on_delete=models.PROTECT, related_name="orders"
    )
    created_at = models.DateTimeField(default=timezone.now, db_index=True)
    created_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    cancelled_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"Order {self.pk}"


class FormerPrescription(models.Model):
    """What an order asked for until it was changed. Rows are only ever added."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="former")
    sheet = models.ForeignKey(
        Material, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    characteristics = models.TextField(blank=True)
    prescriber = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    until = models.DateTimeField(default=timezone.now)
    changed_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.order} until {self.until:%Y-%m-%d %H:%M}"


class Promise(models.Model):
    """The agreed pickup time of an order. A new time supersedes the old one; both stay."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="promises")
    due_at = models.DateTimeField(db_index=True)
    agreed_at = models.DateTimeField(default=timezone.now)
    agreed_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    p_kept_at_agreement = models.FloatField(null=True)
    superseded_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=200, blank=True)
    told_at = models.DateTimeField(
        null=True, blank=True, help_text="When the patient heard of this time; blank: not yet."
    )
    # The planner's latest word; null until it has spoken.
    p_late = models.FloatField(null=True)
    expected_at = models.DateTimeField(null=True)
    cause = models.CharField(max_length=200, blank=True)
    rescue = models.CharField(max_length=300, blank=True)
    assessed_at = models.DateTimeField(null=True)
    # What happened.
    ready_at = models.DateTimeField(null=True)
    handed_over_at = models.DateTimeField(null=True)
    kept = models.BooleanField(null=True)
    key = models.CharField(max_length=80, unique=True, null=True, editable=False)

    class Meta:
        ordering = ["due_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["order"],
                condition=models.Q(superseded_at=None),
                name="one_standing_promise",
            ),
        ]
        indexes = [models.Index(fields=["kept", "due_at"])]


class SeriesIntake(models.Model):
    """A ZIP of step models as it was taken in, with what the check found."""

    class Status(models.TextChoices):
        WAITING = "waiting", "Being checked"
        CHECKED = "checked", "Checked"
        FAILED = "failed", "Could not be checked"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="series_intakes")
    file = models.ForeignKey("production.StoredFile", on_delete=models.PROTECT, related_name="+")
    status = models.CharField(max_length=8, choices=Status, default=Status.WAITING)
    report = models.JSONField(null=True)
    numbers = models.JSONField(
        default=dict, help_text="File to step number, where a person corrected the file's name."
    )
    problem = models.TextField(blank=True)
    taken_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField(default=timezone.now)
    series = models.OneToOneField(
        Series, null=True, blank=True, on_delete=models.SET_NULL, related_name="intake"
    )

    class Meta:
        ordering = ["-pk"]

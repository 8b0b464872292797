"""Machines of the bench, their downtime, maintenance and accuracy checks."""

from __future__ import annotations

import uuid

from django.core.validators import MinValueValidator
from django.db import models
from django.utils import timezone

from clinic.models import User
from production.models.catalog import Stage


class Machine(models.Model):
    """A printer, wash unit, curing unit or forming machine."""

    class State(models.TextChoices):
        READY = "ready", "Ready"
        DOWN = "down", "Out of service"
        RETIRED = "retired", "Retired"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(max_length=16, unique=True, help_text="Printed on the machine's label.")
    name = models.CharField(max_length=60)
    kind = models.CharField(max_length=12, choices=Stage.MachineKind)
    state = models.CharField(max_length=8, choices=State, default=State.READY)
    capacity = models.PositiveIntegerField(
        default=1, validators=[MinValueValidator(1)], help_text="Arches that run together."
    )
    plate_width_mm = models.FloatField(null=True, blank=True)
    plate_depth_mm = models.FloatField(null=True, blank=True)
    minutes_per_mm = models.JSONField(
        default=dict,
        blank=True,
        help_text='Print minutes per mm of height at each layer height, e.g. {"0.1": 3.2}.',
    )
    start_minutes = models.FloatField(default=0, help_text="Minutes before the first layer.")
    layer_mm = models.FloatField(default=0.1)
    hot_folder = models.CharField(
        max_length=300,
        blank=True,
        help_text="Folder from which the printer takes its files. Empty: the office's.",
    )
    serial_number = models.CharField(max_length=60, blank=True)
    in_service_since = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["kind", "name"]

    def __str__(self) -> str:
        return self.name

    def print_minutes(self, height_mm: float) -> float:
        """Minutes to print a model of ``height_mm`` at the machine's layer height."""
        per_mm = float(self.minutes_per_mm.get(f"{self.layer_mm:g}", 0.0))
        return self.start_minutes + per_mm * height_mm


class Downtime(models.Model):
    """A span in which a machine cannot be used; the plan keeps clear of it."""

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="downtimes")
    starts_at = models.DateTimeField(default=timezone.now)
    ends_at = models.DateTimeField(null=True, blank=True, help_text="Blank: until further notice.")
    reason = models.CharField(max_length=200)
    recorded_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    key = models.CharField(max_length=80, unique=True, null=True, editable=False)

    class Meta:
        ordering = ["-starts_at"]

    def __str__(self) -> str:
        return f"{self.machine} {self.starts_at:%Y-%m-%d %H:%M}"


class MaintenanceTask(models.Model):
    """A recurring task, due by days or by a count of loads."""

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="tasks")
    name = models.CharField(max_length=120)
    every_days = models.PositiveIntegerField(null=True, blank=True)
    every_loads = models.PositiveIntegerField(null=True, blank=True)
    active = models.BooleanField(default=True)

    def __str__(self) -> str:
        return f"{self.machine}: {self.name}"


class MaintenanceRecord(models.Model):
    """A maintenance task done."""

    task = models.ForeignKey(MaintenanceTask, on_delete=models.CASCADE, related_name="records")
    done_at = models.DateTimeField(default=timezone.now)
    done_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=200, blank=True)
    key = models.CharField(max_length=80, unique=True, null=True, editable=False)

    class Meta:
        ordering = ["-done_at"]


class AccuracyCheck(models.Model):
    """A printed check model, rescanned and compared with its file."""

    class Status(models.TextChoices):
        WAITING = "waiting", "Being measured"
        MEASURED = "measured", "Measured"
        FAILED = "failed", "Could not be measured"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="accuracy_checks")
    status = models.CharField(max_length=8, choices=Status, default=Status.MEASURED)
    problem = models.TextField(blank=True)
    model = models.ForeignKey(
        "production.PreparedModel",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="What was printed; empty for the check body.",
    )
    rescans = models.ManyToManyField("production.StoredFile", related_name="+")
    picture = models.ForeignKey(
        "production.StoredFile", null=True, on_delete=models.PROTECT, related_name="+"
    )
    measured_at = models.DateTimeField(default=timezone.now)
    lot = models.ForeignKey("production.Lot", null=True, blank=True, on_delete=models.PROTECT)
    trueness_mm = models.FloatField(null=True)
    precision_mm = models.FloatField(null=True)
    report = models.JSONField(default=dict)
    recorded_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["measured_at"]

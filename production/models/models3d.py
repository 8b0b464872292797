"""Print-ready models and the plates they print on."""

from __future__ import annotations

import uuid

from django.db import models
from django.utils import timezone

from clinic.models import User
from production.models.bench import Load
from production.models.files import StoredFile
from production.models.scans import Scan


class PreparedModel(models.Model):
    """A solid made from a scan, with the settings and engine version that made it."""

    class Status(models.TextChoices):
        WAITING = "waiting", "Waiting"
        MADE = "made", "Made"
        FAILED = "failed", "Could not be made"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    scan = models.ForeignKey(
        Scan, null=True, blank=True, on_delete=models.PROTECT, related_name="prepared"
    )
    source = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    settings = models.JSONField(default=dict)
    engine = models.CharField(max_length=40, blank=True)
    status = models.CharField(max_length=8, choices=Status, default=Status.WAITING)
    file = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    picture = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    view = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    report = models.JSONField(null=True)
    problem = models.TextField(blank=True)
    made_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    approved_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    approved_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True, help_text="When it came to the printer's folder.")
    sent_problem = models.TextField(blank=True)

    class Meta:
        ordering = ["-made_at"]

    @property
    def neutral_name(self) -> str:
        """Name of the print file: the code on the base, never a person's name."""
        return f"model-{self.settings.get('text') or self.uuid.hex[:8]}"


class Plate(models.Model):
    """The nested print file of a load of models."""

    load = models.OneToOneField(Load, on_delete=models.CASCADE, related_name="plate")
    file = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    picture = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    report = models.JSONField(default=dict)
    height_mm = models.FloatField(null=True)
    sent_at = models.DateTimeField(null=True, help_text="When it came to the printer's folder.")
    sent_problem = models.TextField(blank=True)

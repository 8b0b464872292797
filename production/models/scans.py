"""Scans and what the inspection found."""

from __future__ import annotations

import uuid

from django.db import models
from django.utils import timezone

from clinic.models import Patient, User, Visit
from production.models.files import StoredFile


class Arch(models.TextChoices):
    """Which arch."""

    UPPER = "upper", "Upper"
    LOWER = "lower", "Lower"


class Scan(models.Model):
    """An uploaded scan of one arch. ``report`` is the inspection's, once there is one."""

    class Status(models.TextChoices):
        WAITING = "waiting", "Waiting for inspection"
        INSPECTED = "inspected", "Inspected"
        UNREADABLE = "unreadable", "Could not be read"
        FAILED = "failed", "Inspection did not finish"

    class Verdict(models.TextChoices):
        PASS = "pass", "Pass"
        CHECK = "check", "Check"
        RESCAN = "rescan", "Rescan"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="scans")
    visit = models.ForeignKey(
        Visit, null=True, blank=True, on_delete=models.SET_NULL, related_name="scans"
    )
    arch = models.CharField(max_length=5, choices=Arch)
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="scans")
    uploaded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    uploaded_at = models.DateTimeField(default=timezone.now, db_index=True)
    upload_key = models.CharField(max_length=64, unique=True)
    units = models.CharField(
        max_length=3, blank=True, help_text="Blank: as the inspection reads it."
    )
    status = models.CharField(max_length=10, choices=Status, default=Status.WAITING)
    verdict = models.CharField(max_length=6, choices=Verdict, blank=True)
    report = models.JSONField(null=True)
    problem = models.TextField(blank=True)
    view = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    picture = models.ForeignKey(StoredFile, null=True, on_delete=models.PROTECT, related_name="+")
    overlays = models.JSONField(null=True)
    inspected_at = models.DateTimeField(null=True)
    margin_confirmed = models.JSONField(
        null=True, help_text="What a person confirmed or corrected about an uncertain margin."
    )
    replaced_by = models.ForeignKey(
        "self", null=True, on_delete=models.SET_NULL, related_name="replaces"
    )

    set_aside_at = models.DateTimeField(null=True)
    set_aside_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    set_aside_reason = models.TextField(blank=True)

    class Meta:
        ordering = ["-uploaded_at"]

    def __str__(self) -> str:
        return f"{self.get_arch_display()} scan {self.uploaded_at:%Y-%m-%d %H:%M}"

    @property
    def comparing(self) -> bool:
        """Whether the comparison with the patient's earlier scan is still to come."""
        same = (self.report or {}).get("same_mouth") or {}
        return bool(same.get("status") == "comparing")

    @property
    def acceptance(self) -> Acceptance | None:
        """The doctor's decision that stands, if there is one."""
        return next((a for a in self.acceptances.all() if a.taken_back_at is None), None)

    @property
    def usable(self) -> bool:
        """Whether production may build on it: no open stopping finding, or one accepted."""
        if self.status != self.Status.INSPECTED or self.replaced_by_id or self.set_aside_at:
            return False
        if self.comparing:
            return False
        return self.verdict != self.Verdict.RESCAN or self.acceptance is not None


class Acceptance(models.Model):
    """A doctor's decision, with reason, to go on in spite of stopping findings.

    One that was taken back stays on record and counts no more.
    """

    scan = models.ForeignKey(Scan, on_delete=models.PROTECT, related_name="acceptances")
    doctor = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    reason = models.TextField()
    at = models.DateTimeField(default=timezone.now)
    findings = models.JSONField(default=list, help_text="Codes of the findings accepted.")
    taken_back_at = models.DateTimeField(null=True)
    taken_back_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    taken_back_reason = models.TextField(blank=True)

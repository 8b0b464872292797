"""Stored files and the background work asked for on records.

A file is stored once, under its SHA-256. ``Work`` is the outbox: its row is the
truth about what has to be done; the message broker is only a wake-up.
"""

from __future__ import annotations

from pathlib import Path

from django.conf import settings
from django.db import models
from django.utils import timezone


class StoredFile(models.Model):
    """A file in the data folder, found by its content."""

    sha256 = models.CharField(max_length=64, unique=True)
    size = models.PositiveBigIntegerField()
    media_type = models.CharField(max_length=60, default="application/octet-stream")
    created_at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return self.sha256[:12]

    @property
    def path(self) -> Path:
        """Where the content lies: two levels of folders keep directories small."""
        return Path(settings.FILES_DIR) / self.sha256[:2] / self.sha256[2:4] / self.sha256

    def read(self) -> bytes:
        """Return the content."""
        return self.path.read_bytes()


class Work(models.Model):
    """One thing for the worker to do, claimed by a conditional update.

    ``pending`` → ``running`` (token, lease, attempt) → ``done`` or ``failed``.
    A lease that ran out makes the row pending again; after three attempts it is
    failed with a reason a person can read and a button to try again.
    """

    class Status(models.TextChoices):
        PENDING = "pending"
        RUNNING = "running"
        DONE = "done"
        FAILED = "failed"

    kind = models.CharField(max_length=20)
    subject_id = models.BigIntegerField(default=0)
    status = models.CharField(max_length=8, choices=Status, default=Status.PENDING)
    token = models.CharField(max_length=32, blank=True)
    lease_until = models.DateTimeField(null=True)
    attempts = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField(default=timezone.now)
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    problem = models.TextField(blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["status", "created_at"]),
            models.Index(fields=["kind", "subject_id"]),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.subject_id} {self.status}"

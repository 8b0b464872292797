"""Appliances, the append-only events that move them, and the loads that run together."""

from __future__ import annotations

import uuid
from typing import Any

from django.db import models
from django.utils import timezone

from clinic.models import AppendOnly, User
from production.models.catalog import ApplianceKind, InstructionCard, RemakeCause, Stage
from production.models.files import StoredFile
from production.models.machines import Machine
from production.models.materials import Lot, Program
from production.models.orders import Order, SeriesStep
from production.models.scans import Arch, Scan


class Appliance(models.Model):
    """One arch, one piece of plastic.

    ``stage``, ``status``, ``seq`` and the times below are a cache of the fold over
    the appliance's events (``production.bench.fold``); only actions write them.
    """

    class Status(models.TextChoices):
        WAITING = "waiting", "Waiting"
        RUNNING = "running", "Running"
        HELD = "held", "On hold"
        READY = "ready", "Ready for pickup"
        DELIVERED = "delivered", "Delivered"
        REMADE = "remade", "Replaced by a remake"
        CANCELLED = "cancelled", "Cancelled"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(max_length=10, unique=True, help_text="On model, traveler and bag.")
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="appliances")
    kind = models.ForeignKey(ApplianceKind, on_delete=models.PROTECT, related_name="+")
    arch = models.CharField(max_length=5, choices=Arch)
    step = models.ForeignKey(
        SeriesStep, null=True, blank=True, on_delete=models.PROTECT, related_name="appliances"
    )
    scan = models.ForeignKey(
        Scan, null=True, blank=True, on_delete=models.PROTECT, related_name="appliances"
    )
    model = models.ForeignKey(
        "production.PreparedModel",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="appliances",
    )
    remake_of = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="remakes"
    )
    remake_cause = models.ForeignKey(
        RemakeCause, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    remeasured = models.JSONField(
        null=True, help_text="What a stored model measured before it was used again."
    )
    created_at = models.DateTimeField(default=timezone.now, db_index=True)
    # The fold, cached.
    stage = models.ForeignKey(Stage, null=True, on_delete=models.PROTECT, related_name="+")
    status = models.CharField(max_length=9, choices=Status, default=Status.WAITING)
    seq = models.PositiveIntegerField(default=0)
    stage_since = models.DateTimeField(default=timezone.now)
    scanned_at = models.DateTimeField(null=True)
    ready_at = models.DateTimeField(null=True)
    delivered_at = models.DateTimeField(null=True, db_index=True)
    failures = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["-created_at"]
        indexes = [
            models.Index(fields=["status", "stage"]),
            models.Index(fields=["remake_cause", "created_at"]),
            # What was in progress at some time: the second column is read from the index.
            models.Index(fields=["ready_at", "scanned_at"]),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def open(self) -> bool:
        """Whether there is still work to do on it."""
        return self.status in OPEN_STATUSES


OPEN_STATUSES = (
    Appliance.Status.WAITING,
    Appliance.Status.RUNNING,
    Appliance.Status.HELD,
    Appliance.Status.READY,
)


class Load(models.Model):
    """Appliances that run together on a machine: a plate, a wash basket, a cure tray."""

    class Status(models.TextChoices):
        FILLING = "filling", "Filling"
        RUNNING = "running", "Running"
        DONE = "done", "Done"
        FAILED = "failed", "Failed"
        CANCELLED = "cancelled", "Cancelled"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(max_length=12, unique=True)
    stage = models.ForeignKey(Stage, on_delete=models.PROTECT, related_name="loads")
    machine = models.ForeignKey(
        Machine, null=True, blank=True, on_delete=models.PROTECT, related_name="loads"
    )
    program = models.ForeignKey(
        Program, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    status = models.CharField(max_length=9, choices=Status, default=Status.FILLING, db_index=True)
    started_at = models.DateTimeField(null=True, db_index=True)
    expected_end = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    appliances = models.ManyToManyField(Appliance, through="LoadItem", related_name="loads")

    class Meta:
        ordering = ["-created_at"]
        indexes = [
            models.Index(fields=["machine", "status", "ended_at"]),
            models.Index(fields=["status", "stage"]),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def over(self) -> bool:
        """Whether the time at which it was to end has passed."""
        return self.expected_end is not None and self.expected_end <= timezone.now()


class LoadItem(models.Model):
    """An appliance's place in a load."""

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="items")
    appliance = models.ForeignKey(Appliance, on_delete=models.PROTECT, related_name="load_items")
    position = models.JSONField(null=True, help_text="x mm, y mm, turn degrees on a plate.")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["load", "appliance"], name="once_in_a_load"),
        ]


class StageEvent(models.Model):
    """Something that happened to an appliance. Rows are only ever added; a correction is a row.

    ``seq`` counts an appliance's events from 1: two hands that move one appliance
    at once want the same number, and the database lets one of them have it.
    ``key`` is the caller's idempotency key: the same request twice has the effect of one.
    """

    class Action(models.TextChoices):
        OPEN = "open", "Opened"
        START = "start", "Started"
        FINISH = "finish", "Finished"
        FAIL = "fail", "Failed"
        SKIP = "skip", "Skipped"
        HOLD = "hold", "Put on hold"
        RELEASE = "release", "Released"
        UNDO = "undo", "Taken back"
        DELIVER = "deliver", "Delivered"
        REMAKE = "remake", "Replaced by a remake"
        CANCEL = "cancel", "Cancelled"
        TROUBLE = "trouble", "Trouble with the fit reported"

    appliance = models.ForeignKey(Appliance, on_delete=models.PROTECT, related_name="events")
    seq = models.PositiveIntegerField()
    action = models.CharField(max_length=8, choices=Action)
    stage = models.ForeignKey(Stage, null=True, on_delete=models.PROTECT, related_name="+")
    to_stage = models.ForeignKey(
        Stage,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Where it stands afterwards, for events that move it; routes may change later.",
    )
    at = models.DateTimeField(help_text="When it happened.")
    recorded_at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    machine = models.ForeignKey(
        Machine, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    load = models.ForeignKey(
        Load, null=True, blank=True, on_delete=models.PROTECT, related_name="events"
    )
    program = models.ForeignKey(
        Program, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    card = models.ForeignKey(
        InstructionCard, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    ticks = models.JSONField(default=list, help_text="Ids of the card's lines that were ticked.")
    cause = models.ForeignKey(
        RemakeCause, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    undoes = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="undone_by"
    )
    follows = models.ForeignKey(
        "self",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        db_index=False,
        related_name="followed_by",
        help_text="The event that brought this one with it by itself; taken back together.",
    )
    scan = models.ForeignKey(
        Scan,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        db_index=False,
        related_name="+",
        help_text="Of a failure: the scan that the failed piece was made from.",
    )
    model = models.ForeignKey(
        "production.PreparedModel",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        db_index=False,
        related_name="+",
        help_text="Of a failure: the model that the failed piece was made from.",
    )
    time_certain = models.BooleanField(
        default=True,
        help_text="False: the time was asked for afterwards, not marked when it happened.",
    )
    note = models.CharField(max_length=300, blank=True)
    key = models.CharField(max_length=80, unique=True)

    objects = AppendOnly.as_manager()

    class Meta:
        ordering = ["appliance", "seq"]
        constraints = [
            models.UniqueConstraint(fields=["appliance", "seq"], name="one_event_per_seq"),
        ]
        indexes = [
            models.Index(fields=["stage", "action", "at"]),
            models.Index(fields=["at"]),
        ]

    def __str__(self) -> str:
        return f"{self.appliance_id}#{self.seq} {self.action}"

    @property
    def root(self) -> StageEvent:
        """What a person did: the event that brought this one with it, or this one."""
        return self.follows.root if self.follows else self

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Add the row; refuse to change one."""
        if self.pk:
            raise TypeError("StageEvent is append-only")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        """Refuse."""
        raise TypeError("StageEvent is append-only")


class LotUse(models.Model):
    """A lot that went into an appliance at an event: the link both ways of traceability."""

    event = models.ForeignKey(StageEvent, on_delete=models.PROTECT, related_name="lot_uses")
    appliance = models.ForeignKey(Appliance, on_delete=models.PROTECT, related_name="lot_uses")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="uses")
    amount = models.FloatField(default=1, help_text="In the material's unit.")

    class Meta:
        # The amount is read from the index: what is left of a lot is a sum over all its uses.
        indexes = [models.Index(fields=["lot", "appliance", "amount"])]


class Photo(models.Model):
    """A picture attached to an event, such as a failed print."""

    event = models.ForeignKey(StageEvent, on_delete=models.PROTECT, related_name="photos")
    file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="+")


class Handover(models.Model):
    """The hand-over of an appliance: identifiers checked, try-in result."""

    class TryIn(models.TextChoices):
        SEATS = "seats", "Seats fully"
        ADJUST = "adjust", "Needs adjustment"
        NO_SEAT = "no_seat", "Does not seat"

    appliance = models.ForeignKey(Appliance, on_delete=models.PROTECT, related_name="handovers")
    event = models.OneToOneField(StageEvent, on_delete=models.PROTECT, related_name="handover")
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    code_checked = models.BooleanField()
    identity_checked = models.BooleanField(help_text="Name and date of birth agree.")
    try_in = models.CharField(max_length=8, choices=TryIn)
    note = models.CharField(max_length=300, blank=True)

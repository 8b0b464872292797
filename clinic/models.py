"""The office: people and roles, patients, visits, opening hours, audit trail."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils import timezone


class Role(models.TextChoices):
    """What a person does in the office; permissions follow from it."""

    FRONT_DESK = "front_desk", "Front desk"
    TECHNICIAN = "technician", "Lab technician"
    DOCTOR = "doctor", "Doctor"
    MANAGER = "manager", "Manager"


class User(AbstractUser):
    """A person of the office."""

    role = models.CharField(max_length=20, choices=Role, default=Role.FRONT_DESK)
    theme = models.CharField(
        max_length=6,
        choices=[("auto", "As the device"), ("light", "Light"), ("dark", "Dark")],
        default="auto",
    )

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    @property
    def initials(self) -> str:
        """Two letters for tight places such as a timer tile."""
        parts = [p for p in (self.first_name, self.last_name) if p] or [self.username]
        return "".join(p[0] for p in parts).upper()[:2]


def _zone(name: str) -> None:
    try:
        ZoneInfo(name)
    except Exception as error:
        raise ValidationError(
            f"“{name}” is not a time zone; use a name like Europe/Dublin"
        ) from error


class Office(models.Model):
    """The one office this installation belongs to: its address, clock, and limits."""

    name = models.CharField(max_length=120, default="Our office")
    address = models.TextField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    time_zone = models.CharField(max_length=60, default="UTC", validators=[_zone])
    confidence = models.FloatField(
        default=0.95,
        validators=[MinValueValidator(0.5), MaxValueValidator(0.999)],
        help_text="A pickup time is offered when it is kept with at least this probability.",
    )
    risk_limit = models.FloatField(
        default=0.10,
        validators=[MinValueValidator(0.005), MaxValueValidator(0.5)],
        help_text="A promise is at risk when the probability of missing it is above this.",
    )
    tissue_limit_mm = models.FloatField(
        default=10.0,
        validators=[MinValueValidator(0), MaxValueValidator(30)],
        help_text="Tissue wanted beyond the gingival margin (common practice: about 10 mm).",
    )
    cut_height_mm = models.FloatField(
        default=15.0,
        validators=[MinValueValidator(5), MaxValueValidator(40)],
        help_text="Incisal edge to base (common practice: 15 mm for an ideal model).",
    )
    block_out_depth_mm = models.FloatField(
        default=0.25,
        validators=[MinValueValidator(0), MaxValueValidator(2)],
        help_text="Undercut left after block-out, for retention.",
    )
    numbering = models.CharField(
        max_length=10,
        choices=[("iso3950", "ISO 3950 (two-digit)"), ("universal", "Universal (1–32)")],
        default="iso3950",
    )
    silent = models.BooleanField(default=False, help_text="No sounds when a timer ends.")
    hot_folder = models.CharField(
        max_length=300, blank=True, help_text="Folder into which approved print files are copied."
    )
    chairs = models.PositiveSmallIntegerField(
        default=2,
        validators=[MinValueValidator(1), MaxValueValidator(20)],
        help_text="Where patients can be scanned at the same time; the plan counts on them.",
    )
    hour_cost = models.DecimalField(
        max_digits=8,
        decimal_places=2,
        default=0,
        validators=[MinValueValidator(0)],
        help_text="What an hour at the bench costs, in your money, for the review; 0: not counted.",
    )
    slip_note = models.TextField(
        blank=True, default="Please ring us if you cannot come at this time."
    )
    care_card = models.TextField(blank=True)
    representative = models.TextField(
        blank=True,
        help_text="Authorised representative, name and address, where your law asks for one.",
    )
    other_sites = models.TextField(
        blank=True, help_text="Other places where you make appliances, with their addresses."
    )
    statement = models.TextField(
        blank=True, help_text="Statement on a device's record, worded to your local law."
    )

    class Meta:
        verbose_name_plural = "office"

    def __str__(self) -> str:
        return self.name

    @classmethod
    def get(cls) -> Office:
        """Return the office, making it with the defaults on first use."""
        office = cls.objects.order_by("pk").first()
        return office or cls.objects.create()

    @property
    def zone(self) -> ZoneInfo:
        """The office's time zone."""
        return ZoneInfo(self.time_zone)

    def today(self) -> dt.date:
        """The date on the office's wall."""
        return timezone.now().astimezone(self.zone).date()


class Weekday(models.IntegerChoices):
    """ISO 8601 weekday numbers."""

    MONDAY = 1
    TUESDAY = 2
    WEDNESDAY = 3
    THURSDAY = 4
    FRIDAY = 5
    SATURDAY = 6
    SUNDAY = 7


class WeeklyWindow(models.Model):
    """A span of a weekday, on the office's clock."""

    weekday = models.IntegerField(choices=Weekday)
    opens = models.TimeField()
    closes = models.TimeField()

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self.get_weekday_display()} {self.opens:%H:%M}–{self.closes:%H:%M}"  # type: ignore[attr-defined]

    def others(self) -> models.QuerySet[Any]:
        """Return the windows that this one must not overlap, itself among them."""
        return type(self)._default_manager.filter(weekday=self.weekday)

    def clean(self) -> None:
        """Refuse a window that ends before it starts or overlaps another."""
        if self.opens is None or self.closes is None:
            return  # the field says what is missing
        if self.opens >= self.closes:
            raise ValidationError("The end must come after the beginning.")
        clash = (
            self.others()
            .filter(opens__lt=self.closes, closes__gt=self.opens)
            .exclude(pk=self.pk)
            .first()
        )
        if clash:
            raise ValidationError(f"Overlaps {clash}; change one of the two.")


class OpeningHours(WeeklyWindow):
    """One open window of a weekday; a day with a lunch break has two."""

    class Meta:
        ordering = ["weekday", "opens"]
        verbose_name_plural = "opening hours"


class WorkingHours(WeeklyWindow):
    """When a person is at the bench on a weekday; who has none is there while it is open."""

    person = models.ForeignKey(User, on_delete=models.CASCADE, related_name="working_hours")

    class Meta:
        ordering = ["person", "weekday", "opens"]
        verbose_name_plural = "working hours"

    def __str__(self) -> str:
        return f"{self.person}, {super().__str__()}"

    def others(self) -> models.QuerySet[Any]:
        """Return this person's windows of the weekday."""
        return super().others().filter(person=self.person_id)


class Absence(models.Model):
    """A span in which a person is not at the bench; the plan gives them nothing then."""

    person = models.ForeignKey(User, on_delete=models.PROTECT, related_name="absences")
    starts_at = models.DateTimeField(default=timezone.now)
    ends_at = models.DateTimeField(null=True, blank=True, help_text="Blank: until further notice.")
    note = models.CharField(max_length=120, blank=True)
    recorded_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    key = models.CharField(max_length=80, unique=True, null=True, editable=False)

    class Meta:
        ordering = ["starts_at"]

    def __str__(self) -> str:
        return f"{self.person} {self.starts_at:%Y-%m-%d %H:%M}"


class ClosedDay(models.Model):
    """A day on which the office is closed whatever the weekday says."""

    date = models.DateField(unique=True)
    reason = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["date"]

    def __str__(self) -> str:
        return f"{self.date:%Y-%m-%d} {self.reason}".strip()


class Patient(models.Model):
    """A patient. Pages address it by ``uuid``: no name or chart number in a URL."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    chart_number = models.CharField(max_length=30, unique=True)
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    date_of_birth = models.DateField()
    allergies = models.TextField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["family_name", "given_name"]
        indexes = [models.Index(fields=["family_name", "given_name"])]

    def __str__(self) -> str:
        return f"{self.family_name}, {self.given_name}"


class Visit(models.Model):
    """An appointment of a patient."""

    class Kind(models.TextChoices):
        DEBOND = "debond", "Debond"
        SCAN = "scan", "Scan"
        PICKUP = "pickup", "Pickup"
        ALIGNER = "aligner", "Aligner check"
        CHECK = "check", "Check"

    class Status(models.TextChoices):
        PLANNED = "planned", "Planned"
        ARRIVED = "arrived", "Arrived"
        IN_CHAIR = "in_chair", "In the chair"
        DONE = "done", "Done"
        MISSED = "missed", "Did not come"
        CANCELLED = "cancelled", "Cancelled"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="visits")
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.DEBOND)
    starts_at = models.DateTimeField(db_index=True)
    status = models.CharField(max_length=10, choices=Status, default=Status.PLANNED)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["starts_at"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.starts_at:%Y-%m-%d %H:%M}"


class AppendOnly(models.QuerySet[Any]):
    """Rows of an append-only table cannot be changed or deleted in bulk either."""

    def update(self, **kwargs: Any) -> int:
        """Refuse."""
        raise TypeError(f"{self.model.__name__} is append-only")

    def delete(self) -> tuple[int, dict[str, int]]:
        """Refuse."""
        raise TypeError(f"{self.model.__name__} is append-only")


class AuditEntry(models.Model):
    """Who did what to which record, and when. Rows are only ever added."""

    at = models.DateTimeField(default=timezone.now, db_index=True)
    user = models.ForeignKey(User, null=True, on_delete=models.PROTECT)
    action = models.CharField(max_length=60)
    subject = models.CharField(max_length=60, blank=True)
    subject_id = models.CharField(max_length=60, blank=True)
    detail = models.JSONField(default=dict)
    address = models.GenericIPAddressField(null=True)

    objects = AppendOnly.as_manager()

    class Meta:
        ordering = ["-pk"]
        verbose_name_plural = "audit entries"
        indexes = [models.Index(fields=["subject", "subject_id"])]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.action}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Add the row; refuse to change one."""
        if self.pk:
            raise TypeError("AuditEntry is append-only")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        """Refuse."""
        raise TypeError("AuditEntry is append-only")


def record(
    user: User | None, action: str, subject: models.Model | None = None, **detail: Any
) -> AuditEntry:
    """Add one line to the audit trail. ``detail`` must be JSON-ready and hold no clinical text."""
    return AuditEntry.objects.create(
        user=user if user and user.pk else None,
        action=action,
        subject=subject._meta.label_lower if subject is not None else "",
        subject_id=str(subject.pk) if subject is not None else "",
        detail=detail,
    )

"""What can be made and how: appliance kinds, stages, routes, instruction cards, remake causes.

Routes are data. A stage names the kind of machine it runs on; a route gives, for
one appliance kind, the stages in order with their usual durations.
"""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.core.validators import MinValueValidator
from django.db import models
from django.utils import timezone

from clinic.models import User


class Stage(models.Model):
    """One kind of work at the bench: scan, prepare, print, wash, cure, …"""

    class MachineKind(models.TextChoices):
        NONE = "", "Hands only"
        SCANNER = "scanner", "Intraoral scanner"
        PRINTER = "printer", "Printer"
        WASH = "wash", "Wash unit"
        CURE = "cure", "Curing unit"
        FORMING = "forming", "Forming machine"

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=40)
    position = models.PositiveIntegerField(default=0)
    machine_kind = models.CharField(max_length=12, choices=MachineKind, blank=True, default="")
    attended = models.BooleanField(default=True, help_text="Someone must be there the whole time.")
    load_name = models.CharField(
        max_length=20,
        blank=True,
        help_text="What runs together: plate, basket, tray. Blank: singly.",
    )
    needs_lot = models.CharField(
        max_length=12, blank=True, help_text="Kind of material whose lot is asked for at the start."
    )
    icon = models.CharField(max_length=20, blank=True)
    trained = models.ManyToManyField(
        User,
        blank=True,
        related_name="trained_for",
        help_text="Nobody named: everyone at the bench does it.",
    )

    class Meta:
        ordering = ["position"]

    def __str__(self) -> str:
        return self.name

    @property
    def batch(self) -> bool:
        """Whether several appliances run through the stage together."""
        return bool(self.load_name)


class ApplianceKind(models.Model):
    """Retainer, aligner, mouthguard, or what the office adds."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=40)
    intended_use = models.TextField(blank=True)
    active = models.BooleanField(default=True)
    approve_model = models.BooleanField(
        default=True, help_text="A person looks at the print-ready model before it is printed."
    )
    stages = models.ManyToManyField(Stage, through="RouteStage")

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.name


class RouteStage(models.Model):
    """A stage on the route of an appliance kind."""

    kind = models.ForeignKey(ApplianceKind, on_delete=models.CASCADE, related_name="route")
    stage = models.ForeignKey(Stage, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveIntegerField()
    minutes = models.FloatField(validators=[MinValueValidator(0)], help_text="Median minutes.")
    spread = models.FloatField(
        default=0.2,
        validators=[MinValueValidator(0)],
        help_text="Standard deviation of the log of the duration.",
    )
    optional = models.BooleanField(default=False, help_text="May be skipped with a reason.")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["kind", "stage"], name="one_stage_once_per_route"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.position}. {self.stage}"


class InstructionCard(models.Model):
    """What to check at a stage. Editing makes a new version; old ones stay as they were shown.

    ``items`` is a list of ``{"id": str, "text": str, "required": bool}``.
    """

    stage = models.ForeignKey(Stage, on_delete=models.CASCADE, related_name="cards")
    version = models.PositiveIntegerField(default=1)
    items = models.JSONField(default=list)
    caution = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["stage", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["stage", "version"], name="one_card_version"),
        ]

    def __str__(self) -> str:
        return f"{self.stage} v{self.version}"

    def clean(self) -> None:
        """Check the shape of ``items``."""
        if not isinstance(self.items, list) or any(
            not isinstance(i, dict) or not str(i.get("text", "")).strip() for i in self.items
        ):
            raise ValidationError("Each line of the card needs a text.")


#: The cause of a replacement that is nobody's fault at the bench.
LOST = "lost"


class RemakeCause(models.Model):
    """A leaf or branch of the short tree of causes; says where a remake must start again."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    parent = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.CASCADE, related_name="children"
    )
    stage = models.ForeignKey(
        Stage, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    restart = models.ForeignKey(
        Stage,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="+",
        help_text="The stage at which the remake enters the route.",
    )
    active = models.BooleanField(default=True)
    position = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["position", "name"]

    def __str__(self) -> str:
        return self.name

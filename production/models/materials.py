"""Materials, their lots, and the programs that machines run for them."""

from __future__ import annotations

from django.core.validators import MinValueValidator
from django.db import models
from django.utils import timezone


class Material(models.Model):
    """Something that is used up: resin, sheet, block-out, disinfectant, consumable."""

    class Kind(models.TextChoices):
        RESIN = "resin", "Model resin"
        SHEET = "sheet", "Sheet"
        BLOCK_OUT = "block_out", "Block-out"
        DISINFECTANT = "disinfectant", "Disinfectant"
        CONSUMABLE = "consumable", "Consumable"

    kind = models.CharField(max_length=12, choices=Kind)
    name = models.CharField(max_length=80, unique=True)
    gtin = models.CharField(max_length=14, blank=True, db_index=True)
    thickness_mm = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.1)])
    minimum_thickness_mm = models.FloatField(
        null=True, blank=True, help_text="Formed sheet thinner than this is shown to a person."
    )
    unit = models.CharField(max_length=10, default="piece")
    allergens = models.CharField(
        max_length=200, blank=True, help_text="Words to compare with a patient's allergies."
    )
    reorder_at = models.FloatField(default=0)
    unit_cost = models.DecimalField(max_digits=8, decimal_places=2, default=0)
    per_use = models.FloatField(
        default=1,
        validators=[MinValueValidator(0)],
        help_text="What one appliance takes of it, in its unit. Resin: by the model's volume.",
    )
    stages = models.ManyToManyField(
        "production.Stage",
        blank=True,
        related_name="consumables",
        help_text="Consumables: where it is used beside what the stage asks for.",
    )
    contact_minutes = models.FloatField(
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text="Time on the label that it must act or cure before the work is finished.",
    )
    substances = models.CharField(
        max_length=200,
        blank=True,
        help_text="Medicinal substance, or human or animal tissue or its derivative in it, as its "
        "maker declares; blank: none declared.",
    )
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["kind", "name"]

    def __str__(self) -> str:
        return self.name


class Lot(models.Model):
    """A lot of a material, as delivered."""

    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="lots")
    number = models.CharField(max_length=40)
    received_on = models.DateField(null=True, blank=True)
    opened_at = models.DateTimeField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    quantity = models.FloatField(default=0, help_text="In the material's unit, as received.")
    closed_at = models.DateTimeField(null=True, blank=True, help_text="Used up or withdrawn.")
    withdrawn = models.BooleanField(default=False)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-created_at"]
        constraints = [
            models.UniqueConstraint(fields=["material", "number"], name="one_lot_per_number"),
        ]

    def __str__(self) -> str:
        return f"{self.material} lot {self.number}"

    @property
    def code(self) -> str:
        """What the office's own lot label carries."""
        return f"L-{self.pk}"


class Program(models.Model):
    """What to set on a machine kind for a material, as its maker prescribes."""

    stage = models.ForeignKey("production.Stage", on_delete=models.CASCADE, related_name="programs")
    material = models.ForeignKey(Material, on_delete=models.CASCADE, related_name="programs")
    name = models.CharField(max_length=60)
    minutes = models.FloatField(validators=[MinValueValidator(0)])
    settings = models.JSONField(default=dict, help_text="Shown to the technician, name: value.")
    machines = models.ManyToManyField(
        "production.Machine", blank=True, help_text="Machines allowed; none: all of the kind."
    )

    class Meta:
        ordering = ["stage", "name"]

    def __str__(self) -> str:
        return self.name

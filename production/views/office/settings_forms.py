"""Forms of the settings pages that concern production."""

from __future__ import annotations

from typing import Any

from django import forms

from production.bench.fold import HANDOVER_STAGE, SCAN_STAGE
from production.bench.training import technicians
from production.models import (
    ApplianceKind,
    Machine,
    MaintenanceTask,
    Material,
    Program,
    RemakeCause,
    RouteStage,
    Stage,
)

CODE = "Code: letters, digits, dashes"
PLACE = "Place in the list"
TAKEN = {"code": {"unique": "This code is taken. Choose another one."}}


class Pairs(forms.Field):
    """Lines of ``name: value`` in a text box, stored as an object.

    ``number`` makes the values numbers and normalises numeric names (0.10 → 0.1).
    """

    widget = forms.Textarea(attrs={"rows": 3})

    def __init__(self, *, number: bool = False, **kwargs: Any) -> None:
        super().__init__(required=False, **kwargs)
        self.number = number

    def prepare_value(self, value: Any) -> Any:
        """Show the object as lines."""
        if isinstance(value, dict):
            return "\n".join(f"{name}: {content}" for name, content in value.items())
        return value

    def to_python(self, value: Any) -> dict[str, Any]:
        """Read the lines.

        Raises
        ------
        ValidationError
            Names the line that cannot be read.
        """
        found: dict[str, Any] = {}
        for line in str(value or "").splitlines():
            if not line.strip():
                continue
            name, colon, content = line.partition(":")
            if not colon or not name.strip() or not content.strip():
                raise forms.ValidationError(f"“{line.strip()}”: write it as name: value")
            if self.number:
                try:
                    found[f"{float(name):g}"] = float(content.replace(",", "."))
                except ValueError as error:
                    raise forms.ValidationError(
                        f"“{line.strip()}”: both must be numbers"
                    ) from error
            else:
                found[name.strip()] = content.strip()
        return found

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare as objects."""
        try:
            return (initial or {}) != self.to_python(data)
        except forms.ValidationError:
            return True


class FixedCode(forms.ModelForm):
    """A record whose code stays once it is on record: the house and its papers go by it."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            del self.fields["code"]
        else:
            self.fields["code"].error_messages["invalid"] = "Use letters, digits and dashes only."


class StageForm(FixedCode):
    """A stage of work."""

    class Meta:
        model = Stage
        error_messages = TAKEN
        fields = [
            "name", "code", "position", "machine_kind", "attended", "load_name", "needs_lot",
            "trained",
        ]  # fmt: skip
        labels = {
            "code": CODE,
            "position": PLACE,
            "machine_kind": "Runs on",
            "attended": "Attended",
            "load_name": "Name of what runs together",
        }

    needs_lot = forms.ChoiceField(
        required=False,
        choices=[("", "None"), *Material.Kind.choices],
        label="Material asked for at the start",
    )
    trained = forms.ModelMultipleChoiceField(
        technicians(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        label="Kept for those trained for it",
        help_text="Nobody ticked: everyone does it. Otherwise the plan gives it only to those "
        "ticked, and no other technician can begin it at the bench.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # A scan is taken at the chair, a delivery is the front desk's: nobody begins them here.
        elsewhere = self.instance.code in (SCAN_STAGE, HANDOVER_STAGE)
        if elsewhere or not self.fields["trained"].queryset.exists():  # type: ignore[attr-defined]
            del self.fields["trained"]


class KindForm(FixedCode):
    """An appliance kind."""

    class Meta:
        model = ApplianceKind
        error_messages = TAKEN
        fields = ["name", "code", "intended_use", "approve_model", "active"]
        labels = {
            "code": CODE,
            "approve_model": "Model must be approved",
            "active": "Offered when an order is opened",
        }
        help_texts = {"intended_use": "Goes on the record of each device of this kind."}


class RouteStageForm(forms.ModelForm):
    """One line of a route."""

    class Meta:
        model = RouteStage
        fields = ["position", "stage", "minutes", "spread", "optional"]
        labels = {"position": "No.", "optional": "May be skipped"}
        widgets = {
            "position": forms.NumberInput(attrs={"class": "tight"}),
            "minutes": forms.NumberInput(attrs={"class": "tight", "step": "any"}),
            "spread": forms.NumberInput(attrs={"class": "tight", "step": "any"}),
        }


class RouteLines(forms.BaseInlineFormSet):
    """The lines of a kind's route."""

    def add_fields(self, form: Any, index: int | None) -> None:
        """Name the box that takes a line out as the page does."""
        super().add_fields(form, index)
        form.fields["DELETE"].label = "Remove"


RouteFormSet = forms.inlineformset_factory(
    ApplianceKind, RouteStage, form=RouteStageForm, formset=RouteLines, extra=1, can_delete=True
)


class MachineForm(forms.ModelForm):
    """A machine of the bench."""

    minutes_per_mm = Pairs(
        number=True,
        label="Print minutes per mm, by layer height",
        help_text="One line for each layer height in mm, for example 0.1: 3.2. Printers only.",
    )

    class Meta:
        model = Machine
        error_messages = TAKEN
        fields = [
            "name", "code", "kind", "capacity", "plate_width_mm", "plate_depth_mm", "layer_mm",
            "minutes_per_mm", "start_minutes", "hot_folder", "serial_number", "in_service_since",
            "state",
        ]  # fmt: skip
        labels = {
            "capacity": "Arches that run together",
            "plate_width_mm": "Plate width, mm",
            "plate_depth_mm": "Plate depth, mm",
            "layer_mm": "Layer height in use, mm",
            "start_minutes": "Minutes before the first layer",
            "hot_folder": "Folder from which the printer takes its files",
        }
        help_texts = {
            "code": "Short, such as PR-1: it is scanned from the bench sheet.",
            "capacity": "",
            "start_minutes": "",
            "hot_folder": "Empty: the office's.",
        }
        widgets = {"in_service_since": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}

    kind = forms.ChoiceField(
        choices=[("", "Choose"), *((k, k.label) for k in Stage.MachineKind if k)],
        error_messages={"required": "Choose what kind of machine it is."},
    )

    def clean(self) -> dict[str, Any]:
        """Ask for what a printer needs."""
        data = super().clean() or {}
        if data.get("kind") == "printer" and not (
            data.get("plate_width_mm") and data.get("plate_depth_mm")
        ):
            self.add_error("plate_width_mm", "A printer needs the size of its plate.")
        return data


class MaintenanceForm(forms.ModelForm):
    """A task that comes again and again on a machine."""

    class Meta:
        model = MaintenanceTask
        fields = ["machine", "name", "every_days", "every_loads", "active"]
        labels = {
            "name": "What is to be done",
            "every_days": "Every so many days",
            "every_loads": "Every so many loads",
            "active": "In use",
        }
        help_texts = {"every_loads": "Give days, loads, or both: it is due by whichever is first."}
        widgets = {
            "every_days": forms.NumberInput(attrs={"min": 1}),
            "every_loads": forms.NumberInput(attrs={"min": 1}),
        }

    def clean(self) -> dict[str, Any]:
        """Ask when it is due."""
        data = super().clean() or {}
        for name in ("every_days", "every_loads"):
            if data.get(name) == 0:
                self.add_error(name, "Give 1 or more, or leave it empty.")
        if not self.errors and not (data.get("every_days") or data.get("every_loads")):
            self.add_error("every_days", "Give after how many days or loads it is due.")
        return data


class MaterialForm(forms.ModelForm):
    """A material."""

    class Meta:
        model = Material
        fields = [
            "name", "kind", "gtin", "thickness_mm", "minimum_thickness_mm", "unit", "allergens",
            "per_use", "stages", "reorder_at", "unit_cost", "contact_minutes", "substances",
            "active",
        ]  # fmt: skip
        labels = {
            "gtin": "GTIN on the package",
            "thickness_mm": "Thickness, mm",
            "minimum_thickness_mm": "Least thickness after forming, mm",
            "unit": "Counted in",
            "per_use": "Used per appliance",
            "stages": "Used at",
            "reorder_at": "Order more below",
            "unit_cost": "Cost of one",
            "contact_minutes": "Contact or curing time, minutes",
            "substances": "Medicine or tissue in it",
            "active": "In use",
        }
        help_texts = {
            "gtin": "The number under the barcode: a scanned package then names this material.",
            "unit": "Such as sheet, ml or piece.",
            "reorder_at": "As counted above; 0: never.",
            "unit_cost": "In your money, of one of what it is counted in.",
        }
        widgets = {"stages": forms.CheckboxSelectMultiple}


class ProgramForm(forms.ModelForm):
    """What to set on a machine for a material."""

    settings = Pairs(
        label="What to set",
        help_text="One line each, as the maker prescribes, for example temperature: 220 °C.",
    )

    class Meta:
        model = Program
        fields = ["name", "stage", "material", "minutes", "settings", "machines"]
        labels = {"machines": "Only on these machines"}
        help_texts = {"machines": "None ticked: on every machine of the stage."}
        widgets = {"machines": forms.CheckboxSelectMultiple}


class CauseForm(FixedCode):
    """A cause in the tree."""

    class Meta:
        model = RemakeCause
        error_messages = TAKEN
        fields = ["name", "code", "parent", "stage", "restart", "position", "active"]
        labels = {
            "code": CODE,
            "parent": "Belongs to",
            "stage": "Shows at stage",
            "restart": "Work starts again at",
            "position": PLACE,
            "active": "In use",
        }
        help_texts = {
            "parent": "Empty: a heading of its own, under which others are listed.",
            "restart": "",
        }


class CardLineForm(forms.Form):
    """One line of an instruction card."""

    text = forms.CharField(
        max_length=200,
        required=False,
        label="Check",
        widget=forms.Textarea(attrs={"class": "line", "rows": 2}),
    )
    required = forms.BooleanField(required=False, label="Must be ticked")


CardFormSet = forms.formset_factory(CardLineForm, extra=3, can_delete=True, can_order=False)

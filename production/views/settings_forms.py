"""Forms of the settings pages that concern production."""

from __future__ import annotations

from typing import Any

from django import forms

from production.models import (
    ApplianceKind,
    Machine,
    Material,
    Program,
    RemakeCause,
    RouteStage,
    Stage,
)


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


class StageForm(forms.ModelForm):
    """A stage of work."""

    class Meta:
        model = Stage
        fields = ["name", "code", "position", "machine_kind", "attended", "load_name", "needs_lot"]
        labels = {"needs_lot": "Material asked for at the start"}

    needs_lot = forms.ChoiceField(
        required=False,
        choices=[("", "None"), *Material.Kind.choices],
        label="Material asked for at the start",
    )


class KindForm(forms.ModelForm):
    """An appliance kind."""

    class Meta:
        model = ApplianceKind
        fields = ["name", "code", "intended_use", "approve_model", "active"]
        labels = {"approve_model": "Model must be approved"}


class RouteStageForm(forms.ModelForm):
    """One line of a route."""

    class Meta:
        model = RouteStage
        fields = ["position", "stage", "minutes", "spread", "optional"]
        widgets = {
            "position": forms.NumberInput(attrs={"class": "tight"}),
            "minutes": forms.NumberInput(attrs={"class": "tight", "step": "any"}),
            "spread": forms.NumberInput(attrs={"class": "tight", "step": "any"}),
        }


RouteFormSet = forms.inlineformset_factory(
    ApplianceKind, RouteStage, form=RouteStageForm, extra=1, can_delete=True
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
        fields = [
            "name", "code", "kind", "capacity", "plate_width_mm", "plate_depth_mm", "layer_mm",
            "minutes_per_mm", "start_minutes", "hot_folder", "serial_number", "in_service_since",
            "state",
        ]  # fmt: skip
        labels = {"layer_mm": "Layer height in use, mm", "capacity": "Arches that run together"}
        widgets = {"in_service_since": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}

    def clean(self) -> dict[str, Any]:
        """Ask for what a printer needs."""
        data = super().clean() or {}
        if data.get("kind") == "printer" and not (
            data.get("plate_width_mm") and data.get("plate_depth_mm")
        ):
            self.add_error("plate_width_mm", "A printer needs the size of its plate.")
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
            "per_use": "Used per appliance",
            "stages": "Used at",
            "contact_minutes": "Contact or curing time, minutes",
            "substances": "Medicine or tissue in it",
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
        widgets = {"machines": forms.CheckboxSelectMultiple}


class CauseForm(forms.ModelForm):
    """A cause in the tree."""

    class Meta:
        model = RemakeCause
        fields = ["name", "code", "parent", "stage", "restart", "position", "active"]
        labels = {"stage": "Shows at stage", "restart": "Remake starts at stage"}


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

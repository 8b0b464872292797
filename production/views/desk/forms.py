"""Forms of the front desk: ask for a pickup time, move it, cancel an order."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.db.models import Q
from django.utils import timezone

from clinic.forms import LocalDateTimeField, PlainLabels
from clinic.models import Patient, Role, User, Visit
from production.models import ApplianceKind, Material, Order, Scan, Series, SeriesStep
from production.models.scans import Arch
from production.selectors.version import version_of

__all__ = ["BookingForm", "CancelForm", "MoveForm", "PrescriptionForm"]

ARCHES = {"both": ["upper", "lower"], "upper": ["upper"], "lower": ["lower"]}
SCAN_DAYS = 21
LONGEST_RUN = 12
NO_DOCTOR = "No doctor has an account yet: the manager adds one under Settings, People."


class Prescribed(PlainLabels, forms.Form):
    """What a doctor says of an appliance beside its kind and arches."""

    sheet = forms.ModelChoiceField(
        Material.objects.none(),
        required=False,
        label="Sheet",
        empty_label="As the bench uses for this appliance",
    )
    prescriber = forms.ModelChoiceField(
        User.objects.none(),
        label="Prescribed by",
        error_messages={"required": "Choose the doctor who prescribed it."},
    )
    characteristics = forms.CharField(
        required=False,
        label="Prescribed characteristics",
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Trim line, wear, teeth to spare: as the doctor said. It goes on the traveler.",
    )


class BookingForm(Prescribed):
    """What is prescribed, and from when the scan can be had."""

    kind = forms.ModelChoiceField(
        ApplianceKind.objects.none(),
        label="Appliance",
        widget=forms.RadioSelect,
        empty_label=None,
        error_messages={"required": "Choose the appliance."},
    )
    arches = forms.ChoiceField(
        label="Arches",
        choices=[("both", "Upper + lower"), ("upper", "Upper"), ("lower", "Lower")],
        initial="both",
        widget=forms.RadioSelect,
    )
    purpose = forms.ChoiceField(
        label="Why",
        choices=[(Order.Purpose.NEW, "New"), (Order.Purpose.REPLACEMENT, "Lost or broken: again")],
        initial=Order.Purpose.NEW,
        widget=forms.RadioSelect,
    )
    ready_from = LocalDateTimeField(
        label="Scan from",
        help_text="When the patient sits in the chair for the scan; now, if the scan is on file.",
    )
    use_scans = forms.BooleanField(required=False, label="Use the scans on file")
    first_step = forms.IntegerField(required=False, min_value=1, label="From step")
    last_step = forms.IntegerField(required=False, min_value=1, label="to step")
    own_time = LocalDateTimeField(required=False, label="The patient asks for")

    def __init__(
        self, patient: Patient, visit: Visit | None, user: User, *args: Any, **kwargs: Any
    ) -> None:
        self.patient, self.visit = patient, visit
        self.scans_on_file = usable_scans(patient)
        self.series = _series_with_files(patient)
        kwargs["initial"] = self._initial(user) | kwargs.get("initial", {})
        super().__init__(*args, **kwargs)
        fields: dict[str, Any] = self.fields
        fields["kind"].queryset = ApplianceKind.objects.filter(active=True)
        fields["sheet"].queryset = Material.objects.filter(kind=Material.Kind.SHEET, active=True)
        doctors = User.objects.filter(role=Role.DOCTOR, is_active=True)
        fields["prescriber"].queryset = doctors
        if not doctors.exists():
            fields["prescriber"].help_text = NO_DOCTOR
            fields["prescriber"].error_messages["required"] = NO_DOCTOR
        if not self.scans_on_file:
            del self.fields["use_scans"]
        if self.series is None:
            del self.fields["first_step"], self.fields["last_step"]

    def _initial(self, user: User) -> dict[str, Any]:
        now = timezone.localtime().replace(second=0, microsecond=0)
        start = now
        if self.visit is not None and self.visit.status == Visit.Status.PLANNED:
            start = max(now, timezone.localtime(self.visit.starts_at))
        doctors = list(
            User.objects.filter(role=Role.DOCTOR, is_active=True).values_list("pk", flat=True)[:2]
        )
        own = user.pk if user.role == Role.DOCTOR else None
        recent = now - dt.timedelta(days=SCAN_DAYS)
        fresh = bool(self.scans_on_file) and all(
            s.uploaded_at >= recent for s in self.scans_on_file.values()
        )
        return {
            "kind": ApplianceKind.objects.filter(active=True).first(),
            "ready_from": now if fresh else start,
            "use_scans": fresh,
            "prescriber": own or (doctors[0] if len(doctors) == 1 else None),
        }

    def clean_ready_from(self) -> dt.datetime:
        """Refuse a moment long past; a few minutes ago is now."""
        at: dt.datetime = self.cleaned_data["ready_from"]
        now = timezone.now()
        if at < now - dt.timedelta(hours=12):
            raise forms.ValidationError("This time is past. Give the time of the scan.")
        return max(at, now)

    def clean(self) -> dict[str, Any]:
        """Check the run of steps against the series."""
        data = super().clean() or {}
        first, last = data.get("first_step"), data.get("last_step")
        if first and not last:
            last = data["last_step"] = first
        if last and not first:
            self.add_error("first_step", "Give the first step too.")
        elif first and last and not first <= last < first + LONGEST_RUN:
            self.add_error("last_step", f"Choose up to {LONGEST_RUN} steps, in order.")
        elif first and self.series and data.get("arches") and not self.steps():
            self.add_error("first_step", "The series has no such step with a model file.")
        return data

    def steps(self) -> list[SeriesStep]:
        """Return the chosen steps of the patient's series; empty when none was asked for."""
        first, last = self.cleaned_data.get("first_step"), self.cleaned_data.get("last_step")
        if not (self.series and first and last):
            return []
        return list(
            self.series.steps.filter(
                number__gte=first,
                number__lte=last,
                arch__in=ARCHES[self.cleaned_data["arches"]],
                cancelled=False,
            ).select_related("series")
        )

    def pieces(self) -> list[str]:
        """Return a label for each appliance that the order would open."""
        steps = [f"{s.arch}-{s.number}" for s in self.steps()]
        return steps or ARCHES[self.cleaned_data["arches"]]

    def scans(self) -> dict[str, Scan]:
        """Return the scans to start from, by arch."""
        if not self.cleaned_data.get("use_scans") or self.steps():
            return {}
        wanted = ARCHES[self.cleaned_data["arches"]]
        return {a: s for a, s in self.scans_on_file.items() if a in wanted}

    def scanned(self) -> set[str]:
        """Return the labels of the pieces that need no scan any more."""
        return set(self.pieces()) if self.steps() else set(self.scans())

    def question(self) -> str:
        """Return a digest of what the answer depends on, to notice a change after asking."""
        data = self.cleaned_data
        return version_of(
            self.patient.pk,
            data["kind"].pk,
            self.pieces(),
            self.data.get("ready_from"),
            sorted(self.scans()),
            data.get("sheet") and data["sheet"].pk,
        )

    def order(self) -> dict[str, Any]:
        """Return what ``open_order`` takes."""
        data = self.cleaned_data
        return {
            "patient": self.patient,
            "kind": data["kind"],
            "arches": ARCHES[data["arches"]],
            "visit": self.visit,
            "sheet": data["sheet"],
            "characteristics": data["characteristics"],
            "purpose": data["purpose"],
            "scans": self.scans(),
            "steps": self.steps(),
            "prescriber": data["prescriber"],
        }


def usable_scans(patient: Patient) -> dict[str, Scan]:
    """Return the newest usable scan of each arch, however old: its age is shown. Two queries."""
    found: dict[str, Scan] = {}
    scans = (
        patient.scans.filter(status=Scan.Status.INSPECTED, replaced_by=None, set_aside_at=None)
        .prefetch_related("acceptances")
        .order_by("-uploaded_at")
    )
    for scan in scans:
        if scan.arch not in found and scan.usable:
            found[scan.arch] = scan
    return {arch: found[arch] for arch in Arch.values if arch in found}


def _series_with_files(patient: Patient) -> Series | None:
    return (
        Series.objects.filter(patient=patient, steps__cancelled=False)
        .exclude(status=Series.Status.FINISHED)
        .distinct()
        .order_by("-started_on")
        .first()
    )


class MoveForm(PlainLabels, forms.Form):
    """A new time for a promise, and why."""

    due_at = LocalDateTimeField(label="New pickup time")
    reason = forms.CharField(
        max_length=200,
        label="Why",
        error_messages={"required": "Write why the time changes."},
        help_text="Such as: printer failed, plate again.",
    )
    told = forms.BooleanField(required=False, label="The patient knows of the new time")

    def for_a_first_time(self) -> None:
        """Ask for no reason where no time was agreed before, as of a remake."""
        self.fields["due_at"].label = "Pickup time"
        self.fields["reason"].label, self.fields["reason"].required = "Note", False
        self.fields["reason"].help_text = ""
        self.fields["told"].label = "The patient knows of this time"

    def clean_due_at(self) -> dt.datetime:
        """Refuse a time that is past."""
        at: dt.datetime = self.cleaned_data["due_at"]
        if at <= timezone.now():
            raise forms.ValidationError("This time is past. Choose a later one.")
        return at


class PrescriptionForm(Prescribed):
    """What an order asks for, to be changed."""

    reason = forms.CharField(
        max_length=200,
        label="Why it changes",
        error_messages={"required": "Write why it changes."},
        help_text="Such as: the doctor wants 37 left free.",
    )

    def __init__(self, order: Order, user: User, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {
            "sheet": order.sheet,
            "characteristics": order.characteristics,
            "prescriber": user if user.role == Role.DOCTOR else order.prescriber,
        }
        super().__init__(*args, **kwargs)
        fields: dict[str, Any] = self.fields
        sheets = Material.objects.filter(kind=Material.Kind.SHEET)
        fields["sheet"].queryset = sheets.filter(Q(active=True) | Q(pk=order.sheet_id))
        doctors = User.objects.filter(role=Role.DOCTOR)
        fields["prescriber"].queryset = doctors.filter(
            Q(is_active=True) | Q(pk=order.prescriber_id)
        )


class CancelForm(PlainLabels, forms.Form):
    """Why an order is cancelled."""

    reason = forms.CharField(
        max_length=200, label="Why", error_messages={"required": "Write why it is cancelled."}
    )

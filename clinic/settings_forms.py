"""Forms of the settings pages that concern the office itself."""

from __future__ import annotations

from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.contrib.auth.password_validation import validate_password

from clinic.models import ClosedDay, Office, OpeningHours, Role, User, WorkingHours


class PercentField(forms.FloatField):
    """A share, shown and typed in percent, kept as a number from 0 to 1."""

    def prepare_value(self, value: Any) -> Any:
        """Show a stored share in percent; what was typed stays as it is."""
        return round(100.0 * value, 4) if isinstance(value, float) else value

    def clean(self, value: Any) -> Any:
        """Check the percent, then return the share."""
        percent = super().clean(value)
        return None if percent is None else round(percent / 100.0, 6)

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare what was shown with what was typed."""
        return super().has_changed(self.prepare_value(initial), data)


class OfficeForm(forms.ModelForm):
    """Address, clock, numbering, limits, wording."""

    confidence = PercentField(
        label="Confidence of a promise, %",
        min_value=50,
        max_value=99.9,
        help_text=Office._meta.get_field("confidence").help_text,
    )
    risk_limit = PercentField(
        label="At risk from, %",
        min_value=0.5,
        max_value=50,
        help_text=Office._meta.get_field("risk_limit").help_text,
    )
    time_zone = forms.ChoiceField(
        choices=lambda: [(z, z) for z in sorted(available_timezones()) if "/" in z or z == "UTC"]
    )

    class Meta:
        model = Office
        fields = [
            "name", "address", "phone", "time_zone", "numbering", "silent", "hot_folder",
            "confidence", "risk_limit", "tissue_limit_mm", "cut_height_mm", "block_out_depth_mm",
            "chairs", "hour_cost", "slip_note", "care_card", "other_sites", "representative",
            "statement",
        ]  # fmt: skip
        labels = {
            "numbering": "Tooth numbers",
            "silent": "Timers without a sound",
            "hot_folder": "Folder the printer watches",
            "tissue_limit_mm": "Gum wanted beyond its edge, mm",
            "cut_height_mm": "Height of a model, mm",
            "block_out_depth_mm": "Undercut left after block-out, mm",
            "chairs": "Chairs for scans",
            "hour_cost": "Cost of an hour at the bench",
            "slip_note": "Note on the pickup slip",
            "care_card": "Text of the care card",
            "representative": "Authorised representative",
            "statement": "Statement on a device's record",
        }


CLOCKS = {
    name: forms.TimeInput(attrs={"type": "time"}, format="%H:%M") for name in ("opens", "closes")
}


class HoursForm(forms.ModelForm):
    """One open window."""

    class Meta:
        model = OpeningHours
        fields = ["weekday", "opens", "closes"]
        widgets = CLOCKS


class WorkingHoursForm(forms.ModelForm):
    """One window in which a technician is there."""

    person = forms.ModelChoiceField(User.objects.filter(role=Role.TECHNICIAN, is_active=True))

    class Meta:
        model = WorkingHours
        fields = ["person", "weekday", "opens", "closes"]
        labels = {"opens": "From", "closes": "Until"}
        widgets = CLOCKS


class ClosedDayForm(forms.ModelForm):
    """A closed day."""

    class Meta:
        model = ClosedDay
        fields = ["date", "reason"]
        widgets = {"date": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}


class PersonForm(forms.ModelForm):
    """An account. A password is set when one is typed."""

    password = forms.CharField(
        required=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least 15 characters; a few words work well. Empty: unchanged.",
    )

    class Meta:
        model = User
        fields = ["username", "first_name", "last_name", "role", "is_active"]
        labels = {"username": "Sign-in name", "is_active": "May sign in"}
        help_texts = {"username": "", "is_active": ""}

    def clean_password(self) -> str:
        """Check the length and the list of common passwords."""
        password = self.cleaned_data["password"]
        if password:
            validate_password(password, self.instance)
        elif not self.instance.pk:
            raise forms.ValidationError("A new account needs a password.")
        return str(password)

    def save(self, commit: bool = True) -> Any:
        """Store the account, and the password when one was typed."""
        user = super().save(commit=False)
        if self.cleaned_data["password"]:
            user.set_password(self.cleaned_data["password"])
        if commit:
            user.save()
        return user

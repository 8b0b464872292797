"""Forms of the settings pages that concern the office itself."""

from __future__ import annotations

from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.contrib.auth.password_validation import validate_password

from clinic.models import ClosedDay, Office, OpeningHours, User


class OfficeForm(forms.ModelForm):
    """Address, clock, numbering, limits, wording."""

    time_zone = forms.ChoiceField(
        choices=lambda: [(z, z) for z in sorted(available_timezones()) if "/" in z or z == "UTC"]
    )

    class Meta:
        model = Office
        fields = [
            "name", "address", "phone", "time_zone", "numbering", "silent", "hot_folder",
            "confidence", "risk_limit", "tissue_limit_mm", "cut_height_mm", "block_out_depth_mm",
            "hour_cost", "slip_note", "care_card", "other_sites", "representative", "statement",
        ]  # fmt: skip


class HoursForm(forms.ModelForm):
    """One open window."""

    class Meta:
        model = OpeningHours
        fields = ["weekday", "opens", "closes"]
        widgets = {
            "opens": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
            "closes": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        }


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

"""The clinic app."""

from django.apps import AppConfig


class ClinicConfig(AppConfig):
    """People, patients, visits, hours, audit."""

    name = "clinic"
    default_auto_field = "django.db.models.BigAutoField"

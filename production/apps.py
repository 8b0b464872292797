"""The production app."""

from django.apps import AppConfig


class ProductionConfig(AppConfig):
    """From scan to hand-over."""

    name = "production"
    default_auto_field = "django.db.models.BigAutoField"

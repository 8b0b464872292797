"""``manage.py warm``: compile everything that the workers need, into the cache."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from production.jobs import JOBS


class Command(BaseCommand):
    help = "Compile the geometry and the planner into the cache."
    requires_system_checks: list[str] = []

    def handle(self, *args: Any, **options: Any) -> None:
        for job in JOBS.values():
            job.warm()

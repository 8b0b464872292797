"""``manage.py build_history``: years of invented history, to measure with."""

from __future__ import annotations

import sys
from typing import Any

from django.core.management.base import BaseCommand

from clinic.models import Office
from production import running
from production.models import Appliance


class Command(BaseCommand):
    help = "Write years of invented history into an empty data folder (set TRACKER_DATA)."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--years", type=float, default=5.0)
        parser.add_argument("--appliances", type=int, default=200_000)

    def handle(self, *args: Any, **options: Any) -> None:
        from production.demo.office import furnish
        from production.demo.years import write_years
        from production.selectors.review.days import summarise

        running.prepare_folder()
        if Appliance.objects.exists():
            sys.stderr.write(
                "this data folder holds appliances already; set TRACKER_DATA to a new folder\n"
            )
            raise SystemExit(2)
        furnish()
        write_years(options["years"], options["appliances"], self.stdout.write)
        days = summarise(Office.get().today())
        self.stdout.write(f"{days} days summarised")

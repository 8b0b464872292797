"""``manage.py warm``: compile everything that the workers need, into the cache."""

from __future__ import annotations

import subprocess
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from clinic import compiled
from clinic.supervisor import python
from production.jobs import JOBS

# As long as all the rest together, and with no function in common.
BESIDE = "plan"


class Command(BaseCommand):
    help = "Compile the geometry and the planner into the cache."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--only", choices=JOBS, help="what one kind of work needs")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["only"]:
            JOBS[options["only"]].warm()
            return
        command = python("manage.py", "warm", "--only", BESIDE)
        with subprocess.Popen(command, cwd=settings.BASE_DIR) as beside:
            for kind, job in JOBS.items():
                if kind != BESIDE:
                    job.warm()
        if beside.returncode:
            raise SystemExit(beside.returncode)
        compiled.remember()

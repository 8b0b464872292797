"""``manage.py dispatch``: wakes a worker for work that was left behind or has come due."""

from __future__ import annotations

import logging
import signal
import threading
import time
from typing import Any

from django.core.management.base import BaseCommand

from production import uploads, work
from production.jobs import JOBS
from production.models import Work
from production.scheduling.ageing import ask_when_old

log = logging.getLogger(__name__)
EVERY_SECONDS = 2.0
HOUSEKEEPING_SECONDS = 3600.0
LEARNING_SECONDS = 900.0
AGEING_SECONDS = 60.0


class Command(BaseCommand):
    help = "Wake workers for work that was left behind, and end what failed three times."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--once", action="store_true", help="sweep once and end")

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        if not options["once"]:
            signal.signal(signal.SIGTERM, lambda *_: stop.set())
            signal.signal(signal.SIGINT, lambda *_: stop.set())
        housekeeping = learning = ageing = 0.0
        while True:
            try:
                work.sweep(_gave_up)
                if time.monotonic() >= ageing:
                    ageing = time.monotonic() + AGEING_SECONDS
                    ask_when_old()
                if time.monotonic() >= learning:
                    learning = time.monotonic() + LEARNING_SECONDS
                    work.ask("learn", coalesce=True)
                if time.monotonic() >= housekeeping:
                    housekeeping = time.monotonic() + HOUSEKEEPING_SECONDS
                    work.ask("summarise", coalesce=True)
                    uploads.forget_old()
            except Exception:
                # The next sweep finds what this one missed.
                log.exception("sweep failed")
            if options["once"] or stop.wait(EVERY_SECONDS):
                return


def _gave_up(row: Work) -> None:
    job = JOBS.get(row.kind)
    if job:
        job.gave_up(row)

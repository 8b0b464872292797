"""The Celery task: claim a row of work and hand it to whoever does that kind."""

from __future__ import annotations

import logging
import os
import threading
import time
from pathlib import Path

from celery.signals import worker_process_init
from django.conf import settings
from django.db import close_old_connections
from django.utils import timezone

from clinic.celery import app
from clinic.clock import office_zone
from geometry.errors import GeometryError
from production import work
from production.jobs import JOBS

log = logging.getLogger(__name__)


@app.task(name="production.perform")  # type: ignore[untyped-decorator]
def perform(pk: int) -> None:
    """Do the work of row ``pk`` unless somebody else has it. Safe to repeat."""
    close_old_connections()
    row = work.claim(pk)
    if row is None:
        return
    job = JOBS.get(row.kind)
    if job is None:
        work.give_back(row, f"This version does not know the work “{row.kind}”.")
        return
    try:
        # What is written into reports and messages speaks of the office's clock.
        with work.keeping(row), timezone.override(office_zone()):
            job.run(row)
    except work.LeaseLost:
        log.warning("work %s was taken over by another worker", pk)
    except GeometryError as error:
        # A bad input is an answer, not an accident: do not try it again.
        with work.finishing(row, problem=str(error)):
            job.refused(row, str(error))
    except Exception as error:
        log.exception("work %s (%s) failed", pk, row.kind)
        work.give_back(row, f"{type(error).__name__}: {error}"[:500])
        if row.attempts >= work.MAX_ATTEMPTS:
            job.gave_up(row)
    finally:
        close_old_connections()


@worker_process_init.connect  # type: ignore[untyped-decorator]
def warm(**_: object) -> None:
    """Compile before the first user waits, then show that this worker lives."""
    queue = os.environ.get("TRACKER_QUEUE", "")
    for kind, job in JOBS.items():
        if queue and work.QUEUES.get(kind, "work") != queue:
            continue  # that is another worker's
        try:
            job.warm()
        except Exception:
            log.exception("could not warm up")
    if queue in ("", "scan"):
        threading.Thread(target=_beat, name="beat", daemon=True).start()


def _beat() -> None:
    """Touch the file that the health check looks at."""
    path = Path(settings.DATA_DIR) / "worker-alive"
    while True:
        try:
            path.touch()
        except OSError:
            log.warning("cannot write %s", path.name)
        time.sleep(3)

"""Build the demo's data from nothing."""

from __future__ import annotations

import datetime as dt
import random
import shutil
from collections.abc import Callable
from pathlib import Path

from django.conf import settings
from django.utils import timezone

from clinic.models import Office
from production import planning, work
from production.demo.office import furnish
from production.demo.people import patients
from production.demo.pool import make_pool
from production.demo.story import Story
from production.jobs import JOBS
from production.scheduling.learning import learn

GENERATED = "arches"


def is_stale(marker: Path) -> bool:
    """Whether the demo was built on another day, or its building was broken off."""
    if not marker.exists():
        return True
    built = dt.datetime.fromtimestamp(marker.stat().st_mtime, tz=dt.UTC)
    return timezone.now() - built > dt.timedelta(hours=6)


def wipe() -> None:
    """Remove the demo's data but the generated arches, which are slow to make."""
    for path in Path(settings.DATA_DIR).iterdir():
        if path.name == GENERATED:
            continue
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def build(seed: int, say: Callable[[str], None]) -> None:
    """Furnish the office, play its past and this morning, and ask for a plan."""
    say("Furnishing an invented office …")
    planning.warm()
    rng = random.Random(seed)
    cast = furnish()
    everyone = patients(rng, Office.get().today())
    say("Generating and inspecting scans …")
    pool = make_pool(cast.doctor, everyone[0])
    story = Story(cast, everyone, pool, seed)
    story.series_patients()
    story.past(say)
    story.this_morning()
    learn().save()  # so that the times still to be agreed on rest on what the bench took
    story.rest_of_today()
    story.an_afternoon_off()
    say("Planning the day …")
    # Now, so that the first page a person opens already says how safe each promise is.
    row = work.claim(work.ask("plan", coalesce=True).pk)
    if row:
        JOBS["plan"].run(row)

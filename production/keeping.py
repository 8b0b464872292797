"""Keep what is on record: copy it elsewhere, and check that it is whole."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from django.conf import settings
from django.db import connection

from production.bench.history import disagreements
from production.models import Appliance, StoredFile

DATABASE = "tracker.sqlite3"


def back_up(target: Path) -> tuple[int, list[str]]:
    """Copy database and files into ``target`` while the site runs; files already there stay.

    The database is copied first: every file it names was on disk before its row was, so
    the files copied afterwards are at least those.

    Returns
    -------
    (copied, problems)
        How many files were copied, and what could not be copied whole.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    target.mkdir(parents=True, exist_ok=True)
    if connection.vendor == "sqlite":
        _copy_database(settings.DATABASES["default"]["NAME"], target / DATABASE)
    copied, problems = 0, []
    for row in StoredFile.objects.order_by("pk").iterator():
        place = target / "files" / row.path.relative_to(settings.FILES_DIR)
        if place.exists() and place.stat().st_size == row.size:
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        unfinished = place.with_suffix(".part")
        try:
            shutil.copyfile(row.path, unfinished)
        except FileNotFoundError:
            problems.append(f"file {row} is on record and not in the data folder")
            continue
        if _digest(unfinished) != row.sha256:
            unfinished.unlink()
            problems.append(f"file {row} has changed since it was stored; the copy was not kept")
            continue
        os.replace(unfinished, place)
        copied += 1
    return copied, problems


def problems_on_record() -> Iterator[str]:
    """Yield what is wrong: files missing or changed, stages that disagree with their events,
    and handed-over appliances that do not lead back to a scan or a step."""
    for row in StoredFile.objects.order_by("pk").iterator():
        if not row.path.exists():
            yield f"file {row}: missing; restore it from a backup"
        elif _digest(row.path) != row.sha256:
            yield f"file {row}: changed since it was stored; restore it from a backup"
    for code, difference in disagreements():
        yield f"appliance {code}: {difference}"
    blind = Appliance.objects.filter(
        status=Appliance.Status.DELIVERED, scan=None, step=None, model=None
    )
    for code in blind.values_list("code", flat=True):
        yield f"appliance {code}: handed over without scan, step or model on record"


def _copy_database(live: str | Path, target: Path) -> None:
    unfinished = target.with_suffix(".part")
    unfinished.unlink(missing_ok=True)
    with (
        closing(sqlite3.connect(live)) as source,
        closing(sqlite3.connect(unfinished)) as copy,
    ):
        source.backup(copy)
    os.replace(unfinished, target)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

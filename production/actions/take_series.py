"""Take in a ZIP of step models, and start the series once a person has looked at the check."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Iterable
from typing import Any

from django.db import transaction

from clinic.models import Patient, User, record
from clinic.permissions import require
from geometry.series import read_name
from production import storage, work
from production.actions.errors import Refused
from production.models import Appliance, Series, SeriesIntake, SeriesStep
from production.models.bench import OPEN_STATUSES

MESHES = (".stl", ".ply", ".obj")


def take_series(user: User, patient: Patient, chunks: Iterable[bytes]) -> SeriesIntake:
    """Store a ZIP and ask for its check."""
    require(user, "upload_scans")
    file = storage.store(chunks, "application/zip")
    with transaction.atomic():
        known = SeriesIntake.objects.filter(patient=patient, file=file, series=None).first()
        if known:
            return known
        intake = SeriesIntake.objects.create(patient=patient, file=file, taken_by=user)
        work.ask("series", intake.pk)
        record(user, "series taken in", intake)
    return intake


def start_series(
    user: User,
    intake: SeriesIntake,
    *,
    started_on: dt.date,
    wear_days: int,
    steps_per_visit: int,
    next_visit_on: dt.date | None,
    accepted: bool = False,
) -> Series:
    """Make the series with one step for each model; an earlier running one ends as replaced.

    Raises
    ------
    Refused
        Not checked yet, problems not accepted, or already started.
    """
    require(user, "upload_scans")
    if intake.status != SeriesIntake.Status.CHECKED or intake.report is None:
        raise Refused("The series is not checked yet; wait for the check.")
    if intake.series_id:
        raise Refused("This series has been started already.")
    if not intake.report["acceptable"] and not accepted:
        raise Refused("The check found problems: look at them and say that you accept them.")
    steps = _steps(intake)
    if not steps:
        raise Refused("No model in the ZIP has a step number in its name.")
    with transaction.atomic():
        earlier = Series.objects.filter(
            patient=intake.patient, status=Series.Status.RUNNING
        ).first()
        series = Series.objects.create(
            patient=intake.patient,
            started_on=started_on,
            wear_days=wear_days,
            steps_per_visit=steps_per_visit,
            next_visit_on=next_visit_on,
            steps_upper=max((n for a, n in steps if a == "upper"), default=0),
            steps_lower=max((n for a, n in steps if a == "lower"), default=0),
            refinement_of=earlier,
        )
        for (arch, number), data in steps.items():
            SeriesStep.objects.create(
                series=series,
                arch=arch,
                number=number,
                file=storage.store_bytes(data, "application/octet-stream"),
            )
        if earlier:
            _replace(earlier)
        intake.series = series
        intake.save(update_fields=["series"])
        record(user, "series started", series, problems=len(intake.report["problems"]))
        work.ask("plan", coalesce=True)
    return series


def _replace(earlier: Series) -> None:
    """End a running series: a new scan replaces the steps that nobody has begun to make."""
    begun = Appliance.objects.filter(step__series=earlier, status__in=OPEN_STATUSES).values("step")
    earlier.steps.exclude(pk__in=begun).exclude(appliances__isnull=False).update(cancelled=True)
    earlier.status = Series.Status.FINISHED
    earlier.save(update_fields=["status"])


def _steps(intake: SeriesIntake) -> dict[tuple[str, int], bytes]:
    """Return the model of every (arch, step); the arch is the one the check settled on.

    What could not be read, is of the other arch or of another mouth is no step, whatever its
    name and whoever accepts it.
    """
    report: dict[str, Any] = intake.report or {}
    out = {entry["file"] for entry in report.get("unreadable", [])}
    for arch in report["arches"].values():
        out |= {entry["file"] for name in ("wrong_arch", "foreign") for entry in arch.get(name, [])}
    only = next(iter(report["arches"])) if len(report["arches"]) == 1 else None
    found: dict[tuple[str, int], bytes] = {}
    with zipfile.ZipFile(intake.file.path) as package:
        for info in package.infolist():
            if info.is_dir() or info.filename in out:
                continue
            if not info.filename.lower().endswith(MESHES):
                continue
            named = read_name(info.filename)
            arch = named.arch or only
            if arch and named.step is not None:
                found.setdefault((arch, named.step), package.read(info))
    return found

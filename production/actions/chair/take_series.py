"""Take in a ZIP of step models, and start the series once a person has looked at the check."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Iterable
from functools import partial
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from clinic.models import Patient, User, record
from clinic.permissions import require
from geometry.series import read_name
from production import storage, work
from production.actions.desk.cancelling import cancel
from production.actions.errors import Refused
from production.models import Appliance, Series, SeriesIntake, SeriesStep, StoredFile
from production.models.bench import OPEN_STATUSES

MESHES = (".stl", ".ply", ".obj")
LEFT_OUT = ("wrong_arch", "foreign", "mirrored")
CHUNK = 1 << 20
REPLACED = "Replaced by a new series"


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


def exchange_steps(user: User, intake: SeriesIntake, arch: str, first: int, second: int) -> None:
    """Give two models that stand in each other's place each other's number; check again.

    Raises
    ------
    Refused
        The check does not say so of these two, or the series runs already.
    """
    require(user, "upload_scans")
    with transaction.atomic():
        row = SeriesIntake.objects.select_for_update().select_related("file").get(pk=intake.pk)
        found = ((row.report or {}).get("arches", {})).get(arch, {}).get("swapped", [])
        if row.status != SeriesIntake.Status.CHECKED or row.series_id is not None:
            raise Refused("Steps are exchanged after the check and before the start.")
        if [first, second] not in found:
            raise Refused(f"The check does not say that steps {first} and {second} are swapped.")
        other = {first: second, second: first}
        for name, (where, step) in _named(row).items():
            if where == arch and step in other:
                row.numbers[name] = other[step]
        _check_again(row)
        record(user, "steps exchanged", row, arch=arch, steps=[first, second])
    intake.refresh_from_db()


def number_as_named(user: User, intake: SeriesIntake) -> None:
    """Take every exchange back: the files' names count again.

    Raises
    ------
    Refused
        A check is under way, which would answer for other numbers; or the series runs already.
    """
    require(user, "upload_scans")
    with transaction.atomic():
        row = SeriesIntake.objects.select_for_update().get(pk=intake.pk)
        if row.series_id is not None:
            raise Refused("This series has been started already.")
        if row.status == SeriesIntake.Status.WAITING:
            raise Refused("The series is being checked; wait for the check.")
        row.numbers = {}
        _check_again(row)
        record(user, "steps numbered as named", row)
    intake.refresh_from_db()


def _check_again(row: SeriesIntake) -> None:
    row.status, row.report = SeriesIntake.Status.WAITING, None
    row.save(update_fields=["status", "report", "numbers"])
    work.ask("series", row.pk)


def start_series(
    user: User,
    intake: SeriesIntake,
    *,
    started_on: dt.date,
    wear_days: int,
    steps_per_visit: int,
    next_visit_on: dt.date | None,
    accepted: bool = False,
    give_up: bool = False,
) -> Series:
    """Make the series with one step for each model; an earlier one ends as replaced.

    Parameters
    ----------
    give_up : bool
        Cancel the earlier one's pieces that are on the bench, too.

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
    # Hundreds of megabytes, maybe: stored one after another, before the database is held.
    steps = _stored_steps(intake)
    if not steps:
        raise Refused("No model in the ZIP has a step number in its name.")
    with transaction.atomic():
        row = SeriesIntake.objects.select_for_update().get(pk=intake.pk)
        if row.series_id is not None:
            raise Refused("This series has been started already.")
        if row.status != intake.status or row.numbers != intake.numbers:
            raise Refused("The steps were numbered anew meanwhile; look at the check once more.")
        under_way = under_way_of(intake.patient)
        earlier = under_way.select_for_update().order_by("-pk").first()
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
        SeriesStep.objects.bulk_create(
            SeriesStep(series=series, arch=arch, number=number, file=file)
            for (arch, number), file in steps.items()
        )
        if give_up:
            for piece in begun(intake.patient):
                cancel(user, piece, note=REPLACED, key=f"{intake.uuid}:{piece.code}")
        for old in under_way.exclude(pk=series.pk):
            _replace(old)
        intake.series = series
        intake.save(update_fields=["series"])
        record(user, "series started", series, problems=len(intake.report["problems"]))
        work.ask("plan", coalesce=True)
    return series


def under_way_of(patient: Patient) -> QuerySet[Series]:
    """Return the patient's series that are worn, or paused."""
    return Series.objects.filter(patient=patient).exclude(status=Series.Status.FINISHED)


def begun(patient: Patient) -> QuerySet[Appliance]:
    """Return the pieces of the patient's series under way that are on the bench."""
    return Appliance.objects.filter(
        step__series__in=under_way_of(patient), status__in=OPEN_STATUSES
    ).order_by("code")


def _replace(earlier: Series) -> None:
    """End a running series: a new scan replaces the steps that nobody has begun to make."""
    made = Appliance.objects.filter(step__series=earlier)
    made = made.exclude(status=Appliance.Status.CANCELLED)
    earlier.steps.exclude(pk__in=made.values("step")).update(cancelled=True)
    earlier.status = Series.Status.FINISHED
    earlier.save(update_fields=["status"])


def _named(intake: SeriesIntake) -> dict[str, tuple[str | None, int | None]]:
    """Return arch and step of every model in the ZIP, by its file.

    The arch is the one the check settled on where there is only one; a step that a person
    corrected counts before the name. What could not be read, is of the other arch or of
    another mouth, or mirrored, is no step, whatever its name and whoever accepts it.
    """
    report: dict[str, Any] = intake.report or {}
    out = {entry["file"] for entry in report.get("unreadable", [])}
    for arch in report["arches"].values():
        out |= {entry["file"] for name in LEFT_OUT for entry in arch.get(name, [])}
    only = next(iter(report["arches"])) if len(report["arches"]) == 1 else None
    found: dict[str, tuple[str | None, int | None]] = {}
    with zipfile.ZipFile(intake.file.path) as package:
        for info in package.infolist():
            name = info.filename
            if info.is_dir() or name in out or not name.lower().endswith(MESHES):
                continue
            said = read_name(name)
            found[name] = (said.arch or only, intake.numbers.get(name, said.step))
    return found


def _stored_steps(intake: SeriesIntake) -> dict[tuple[str, int], StoredFile]:
    """Store the model of every (arch, step), piece by piece."""
    found: dict[tuple[str, int], StoredFile] = {}
    with zipfile.ZipFile(intake.file.path) as package:
        for name, (arch, step) in _named(intake).items():
            if arch and step is not None and (arch, step) not in found:
                with package.open(name) as member:
                    chunks = iter(partial(member.read, CHUNK), b"")
                    found[arch, step] = storage.store(chunks, "application/octet-stream")
    return found

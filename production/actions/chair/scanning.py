"""Give appliances the scan and the model they are made from."""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from clinic.models import User
from clinic.models import record as audit
from clinic.permissions import may, require
from production.actions.errors import Refused
from production.actions.recording import find, locked, record
from production.bench.fold import PREPARE_STAGE, SCAN_STAGE
from production.bench.history import position_of
from production.bench.routes import after, route_of
from production.models import Appliance, PreparedModel, Scan, StageEvent

BEFORE_PRINT = {SCAN_STAGE, PREPARE_STAGE}


def attach_scan(
    user: User,
    appliance: Appliance,
    scan: Scan,
    *,
    key: str,
    at: dt.datetime | None = None,
    follows: StageEvent | None = None,
) -> Appliance:
    """Link ``scan``; a usable one finishes the scan stage of an appliance that waits there.

    ``follows``: the event that this comes with, and is taken back with.

    Raises
    ------
    Refused
        The scan is another patient's or arch's, or printing has begun from another scan.
    """
    if not may(user, "order"):
        require(user, "upload_scans")
    with transaction.atomic():
        if find(key):
            return appliance
        row = locked(appliance, "order")
        if scan.patient_id != row.order.patient_id or scan.arch != row.arch:
            raise Refused("That scan is of another patient or arch; choose the right one.")
        if row.step_id:
            raise Refused("A step of a series is made from its own file, not from a scan.")
        _before_print(row, "scan")
        if row.scan_id != scan.pk:
            Appliance.objects.filter(pk=row.pk).update(scan=scan, model=None)
            audit(user, "appliance.scan", row, scan=scan.pk, before=row.scan_id)
            appliance.model = None
        appliance.scan, row.scan = scan, scan
        position = position_of(row.pk)
        if position is None or position.stage != SCAN_STAGE or row.stage is None:
            return appliance
        if position.status not in ("waiting", "running") or not scan.usable:
            return appliance
        if position.scan_after is not None and scan.uploaded_at <= position.scan_after:
            return appliance
        following = after(route_of(row.kind_id), row.stage)
        record(
            user,
            appliance,
            StageEvent.Action.FINISH,
            to_stage=following,
            key=key,
            at=at,
            follows=follows,
            note="Usable scan on file",
        )
        return appliance


def newer_scan(appliance: Appliance, than: Scan | None) -> Scan | None:
    """Return the latest usable scan of the appliance's arch that was uploaded after ``than``."""
    if than is None:
        return None
    later = Scan.objects.filter(
        patient_id=than.patient_id,
        arch=appliance.arch,
        uploaded_at__gt=than.uploaded_at,
        status=Scan.Status.INSPECTED,
        replaced_by=None,
        set_aside_at=None,
    )
    usable = (s for s in later.prefetch_related("acceptances") if s.usable)
    return next(usable, None)  # the latest stands first


def scan_became_usable(user: User, scan: Scan) -> list[Appliance]:
    """Link ``scan`` to the patient's appliances that wait for a scan of its arch.

    Called when an inspection passes and when a doctor accepts a scan. Safe to repeat.
    """
    moved: list[Appliance] = []
    if not scan.usable:
        return moved
    waiting = Appliance.objects.filter(
        order__patient_id=scan.patient_id,
        arch=scan.arch,
        step=None,
        stage__code=SCAN_STAGE,
        status__in=[Appliance.Status.WAITING, Appliance.Status.RUNNING],
    )
    with transaction.atomic():
        for appliance in waiting:
            key = f"scan:{scan.pk}:{appliance.pk}:{appliance.seq}"
            moved.append(attach_scan(user, appliance, scan, key=key))
    return moved


def attach_model(user: User, appliance: Appliance, model: PreparedModel) -> Appliance:
    """Choose the print-ready model of an appliance whose printing has not begun.

    Raises
    ------
    Refused
        The model is of another scan or step, or printing has begun.
    """
    require(user, "bench")
    with transaction.atomic():
        row = locked(appliance, "step")
        _before_print(row, "model")
        wrong_scan = row.scan_id and model.scan_id != row.scan_id
        wrong_step = row.step is not None and model.source_id != row.step.file_id
        if wrong_scan or wrong_step:
            raise Refused("That model was made from another scan; prepare it from this one.")
        Appliance.objects.filter(pk=row.pk).update(model=model)
        audit(user, "appliance.model", row, model=model.pk, before=row.model_id)
        appliance.model = model
        return appliance


def _before_print(row: Appliance, what: str) -> None:
    if row.stage is not None and (row.stage.code not in BEFORE_PRINT or not row.open):
        raise Refused(
            f"{row.code} is already at “{row.stage}”: record a failure that asks for a new "
            f"{what} first."
        )

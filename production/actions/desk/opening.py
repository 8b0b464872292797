"""Open an order: one appliance per arch, or per step of a series."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

from django.db import transaction
from django.utils import timezone

from clinic.models import Patient, User, Visit
from clinic.models import record as audit
from clinic.permissions import may, require
from production.actions.chair.scanning import attach_scan
from production.actions.errors import Refused
from production.actions.recording import find, record
from production.bench import codes
from production.bench.fold import SCAN_STAGE
from production.bench.routes import route_of
from production.models import (
    Appliance,
    ApplianceKind,
    Material,
    Order,
    Scan,
    SeriesStep,
    Stage,
    StageEvent,
)
from production.models.scans import Arch


def open_order(
    user: User,
    patient: Patient,
    kind: ApplianceKind,
    arches: Sequence[str],
    *,
    visit: Visit | None = None,
    sheet: Material | None = None,
    characteristics: str = "",
    purpose: str = Order.Purpose.NEW,
    scans: Mapping[str, Scan] | None = None,
    steps: Sequence[SeriesStep] = (),
    prescriber: User | None = None,
    key: str,
    at: dt.datetime | None = None,
) -> Order:
    """Open an order with one appliance per arch of ``arches``, each at its route's first stage.

    Parameters
    ----------
    scans : mapping of arch to Scan, optional
        A usable scan is linked at once and finishes the scan stage.
    steps : sequence of SeriesStep
        For an order out of a series: one appliance per step instead of per arch. A step
        brings its own model file, so it enters the route after the scan.
    prescriber : User, optional
        The clinician who prescribed it; ``user`` when that is a doctor.

    Raises
    ------
    Refused
        The kind has no route, an arch is unknown or doubled, or a scan is another patient's.
    """
    require(user, "order")
    wanted: list[tuple[str, SeriesStep | None]] = [(s.arch, s) for s in steps]
    wanted = wanted or [(arch, None) for arch in arches]
    _check(patient, wanted, scans or {})
    route = route_of(kind.pk)
    if not route:
        raise Refused(f"{kind} has no route yet; the manager can add stages in the settings.")
    with transaction.atomic():
        earlier = find(f"{key}:1")
        if earlier:
            return earlier.appliance.order
        when = at or timezone.now()
        order = Order.objects.create(
            patient=patient,
            kind=kind,
            visit=visit,
            prescriber=prescriber or (user if may(user, "prescribe") else None),
            purpose=purpose,
            sheet=sheet,
            characteristics=characteristics,
            series=steps[0].series if steps else None,
            created_at=when,
            created_by=user,
        )
        for number, (arch, step) in enumerate(wanted, start=1):
            first = next(r.stage for r in route if not step or r.stage.code != SCAN_STAGE)
            appliance = new_appliance(order, arch, when, step=step)
            open_event(user, appliance, first, key=f"{key}:{number}", at=when)
            scan = (scans or {}).get(arch)
            if scan is not None and step is None and scan.usable:
                attach_scan(user, appliance, scan, key=f"{key}:{number}:scan", at=when)
        audit(user, "order.open", order, purpose=str(purpose), appliances=len(wanted))
        return order


def _check(
    patient: Patient, wanted: Sequence[tuple[str, SeriesStep | None]], scans: Mapping[str, Scan]
) -> None:
    if not wanted:
        raise Refused("Choose at least one arch.")
    if len({(arch, step.number if step else 0) for arch, step in wanted}) < len(wanted):
        raise Refused("The same arch was asked for twice; order a second copy separately.")
    for arch, step in wanted:
        if arch not in Arch.values:
            raise Refused(f"“{arch}” is not an arch; use upper or lower.")
        if step is not None and step.series.patient_id != patient.pk:
            raise Refused("That series belongs to another patient.")
    for arch, scan in scans.items():
        if scan.patient_id != patient.pk or scan.arch != arch:
            raise Refused("That scan is of another patient or arch; choose the right one.")


def new_appliance(
    order: Order, arch: str, at: dt.datetime, *, step: SeriesStep | None = None
) -> Appliance:
    """Make the row, with a code that nothing else carries. Its opening event comes next."""
    code = codes.new_code()
    while Appliance.objects.filter(code=code).exists():
        code = codes.new_code()
    return Appliance.objects.create(
        code=code, order=order, kind=order.kind, arch=arch, step=step, created_at=at, stage_since=at
    )


def open_event(
    user: User, appliance: Appliance, stage: Stage, *, key: str, at: dt.datetime
) -> StageEvent:
    """Record where a new appliance enters its route."""
    return record(user, appliance, StageEvent.Action.OPEN, to_stage=stage, key=key, at=at)

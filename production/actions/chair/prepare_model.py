"""Ask for a print-ready model of an appliance, change its settings, approve it."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import fields
from typing import Any

from django.db import transaction
from django.utils import timezone

from clinic.models import User, record
from clinic.permissions import require
from geometry.errors import GeometryError
from geometry.model import ModelSettings
from production import work
from production.actions.chair.scanning import attach_model
from production.actions.errors import Refused
from production.bench.gates import scan_faults
from production.bench.history import position_of
from production.models import Appliance, PreparedModel
from production.preparing import default_settings

log = logging.getLogger(__name__)
CHANGEABLE = {f.name for f in fields(ModelSettings)}


def prepare_model(
    user: User, appliance: Appliance, changes: dict[str, Any] | None = None
) -> PreparedModel:
    """Ask for a model of ``appliance`` with the office's settings and ``changes`` on top.

    The same settings of the same scan give the model that is already there.

    Raises
    ------
    Refused
        No usable scan, or settings out of range; the words say what to do.
    """
    require(user, "bench")
    position = position_of(appliance.pk)
    faults = scan_faults(appliance, position.scan_after if position else None)
    if faults:
        raise Refused(" ".join(faults))
    source = appliance.step.file if appliance.step else None
    if appliance.step and source is None:
        raise Refused("This step has no model file yet; take in the series' folder first.")
    sheet = appliance.order.sheet
    thickness = sheet.thickness_mm if sheet and sheet.thickness_mm else None
    settings = default_settings(appliance.code, appliance.arch, thickness)
    settings |= {k: v for k, v in (changes or {}).items() if k in CHANGEABLE}
    try:
        ModelSettings(**settings)
    except (GeometryError, TypeError) as error:
        raise Refused(str(error)) from error
    with transaction.atomic():
        known = (
            PreparedModel.objects.filter(scan=appliance.scan, source=source, settings=settings)
            .exclude(status=PreparedModel.Status.FAILED)
            .first()
        )
        model = known or PreparedModel.objects.create(
            scan=appliance.scan, source=source, settings=settings, made_by=user
        )
        if known is None:
            work.ask("prepare", model.pk)
            record(user, "model asked for", model, appliance=appliance.code)
        attach_model(user, appliance, model)
    return model


def prepare_moved(user: User, appliances: Iterable[Appliance]) -> None:
    """Ask for the models of appliances that have just got their scan, with the usual settings.

    A model that cannot be asked for is left to the technician, who sees why.
    """
    for appliance in appliances:
        if appliance.model_id is None:
            try:
                with transaction.atomic():
                    prepare_model(user, appliance)
            except Refused as refused:
                log.info("%s: no model yet: %s", appliance.code, refused)


@transaction.atomic
def approve_model(user: User, model: PreparedModel) -> PreparedModel:
    """Record who looked at the model and found it fit for printing.

    Raises
    ------
    Refused
        The model is not made yet.
    """
    require(user, "bench")
    if model.status != PreparedModel.Status.MADE:
        raise Refused("The model is not made yet; wait for it, or change its settings.")
    if model.approved_at is None:
        model.approved_by, model.approved_at = user, timezone.now()
        model.save(update_fields=["approved_by", "approved_at"])
        record(user, "model approved", model)
        work.ask("send", model.pk, coalesce=True)
    return model


@transaction.atomic
def send_model(user: User, model: PreparedModel) -> None:
    """Lay an approved model into the printer's folder again.

    Raises
    ------
    Refused
        It is not approved.
    """
    require(user, "bench")
    if model.approved_at is None:
        raise Refused("Approve the model first.")
    PreparedModel.objects.filter(pk=model.pk).update(sent_problem="")
    work.ask("send", model.pk, coalesce=True)
    record(user, "model sent to the printer's folder", model)

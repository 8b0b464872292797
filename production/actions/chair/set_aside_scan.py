"""Set aside a scan that was taken in for the wrong patient or arch, and take it back."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from clinic.models import User, record
from clinic.permissions import require
from production.actions.chair.prepare_model import prepare_moved
from production.actions.chair.scanning import scan_became_usable
from production.actions.errors import Refused
from production.models import Appliance, Scan
from production.models.bench import OPEN_STATUSES


def set_aside_scan(user: User, scan: Scan, reason: str) -> None:
    """Keep the file on record but let nothing be made from it; the scan before it counts again.

    Raises
    ------
    PermissionDenied
    Refused
        No reason is given, or an appliance is being made from this scan.
    """
    require(user, "upload_scans")
    reason = reason.strip()
    if len(reason) < 4:
        raise Refused("Write why this scan is set aside.")
    with transaction.atomic():
        row = Scan.objects.select_for_update(of=("self",)).get(pk=scan.pk)
        if row.set_aside_at:
            return
        made = Appliance.objects.filter(scan=row, status__in=OPEN_STATUSES).first()
        if made:
            raise Refused(
                f"{made.code} is being made from this scan: record a failure there that asks for "
                "a new scan, or cancel it, then set the scan aside."
            )
        row.set_aside_at, row.set_aside_by, row.set_aside_reason = timezone.now(), user, reason
        row.save(update_fields=["set_aside_at", "set_aside_by", "set_aside_reason"])
        before = row.replaces.filter(set_aside_at=None).order_by("-uploaded_at").first()
        if before:
            Scan.objects.filter(pk=before.pk).update(replaced_by=None)
            before.replaced_by = None
            prepare_moved(user, scan_became_usable(user, before))
        record(user, "scan set aside", row, reason=reason)


def take_back_scan(user: User, scan: Scan) -> None:
    """Undo ``set_aside_scan``.

    Raises
    ------
    PermissionDenied
    """
    require(user, "upload_scans")
    with transaction.atomic():
        row = Scan.objects.select_for_update(of=("self",)).get(pk=scan.pk)
        if not row.set_aside_at:
            return
        row.set_aside_at, row.set_aside_by, row.set_aside_reason = None, None, ""
        row.save(update_fields=["set_aside_at", "set_aside_by", "set_aside_reason"])
        Scan.objects.filter(
            patient=row.patient_id, arch=row.arch, visit=row.visit_id, replaced_by=None,
            uploaded_at__lt=row.uploaded_at,
        ).update(replaced_by=row)  # fmt: skip
        record(user, "scan taken back", row)
        prepare_moved(user, scan_became_usable(user, row))

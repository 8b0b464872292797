"""A doctor accepts a scan in spite of stopping findings, with a reason."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import transaction

from clinic.models import User, record
from clinic.permissions import require
from production import work
from production.actions.chair.prepare_model import prepare_moved
from production.actions.chair.scanning import scan_became_usable
from production.actions.chair.take_back_acceptance import go_on
from production.models import Acceptance, Scan


@transaction.atomic
def accept_scan(user: User, scan: Scan, reason: str) -> Acceptance:
    """Record the decision; production may then build on the scan.

    Raises
    ------
    PermissionDenied
        Only a doctor decides this.
    ValidationError
        No reason given, or the scan has no verdict to accept.
    """
    require(user, "accept_scan")
    reason = reason.strip()
    if len(reason) < 4:
        raise ValidationError("Write the reason for going on with this scan.")
    if scan.status != Scan.Status.INSPECTED:
        raise ValidationError("This scan has no verdict yet; wait for the inspection.")
    if scan.comparing:
        raise ValidationError("It is being compared with the earlier scan; wait a few seconds.")
    if scan.set_aside_at:
        raise ValidationError("This scan was set aside; take it back first.")
    known = scan.acceptances.filter(doctor=user, reason=reason, taken_back_at=None).first()
    if known:
        return known
    findings = [f["code"] for f in (scan.report or {}).get("findings", [])]
    accepted = Acceptance.objects.create(scan=scan, doctor=user, reason=reason, findings=findings)
    record(user, "scan accepted", scan, findings=findings)
    prepare_moved(user, scan_became_usable(user, scan))
    go_on(user, accepted)
    work.ask("plan", coalesce=True)
    return accepted

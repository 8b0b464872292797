"""A whole upload becomes a scan, with the work of inspecting it, in one transaction."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import IntegrityError, transaction

from clinic.models import Patient, User, Visit, record
from clinic.permissions import require
from production import storage, work
from production.models import Scan


def take_scan(
    user: User,
    patient: Patient,
    arch: str,
    chunks: Iterable[bytes],
    *,
    key: str,
    visit: Visit | None = None,
    units: str = "",
) -> tuple[Scan, bool]:
    """Store a scan and ask for its inspection.

    The same ``key``, or the same file for the same arch of the same patient, gives
    the scan that is already there.

    Returns
    -------
    (scan, made)
        ``made`` is False when nothing new was stored.

    Raises
    ------
    PermissionDenied
    OSError
        The file could not be written; nothing is left half-stored.
    """
    require(user, "upload_scans")
    known = Scan.objects.filter(upload_key=key).first()
    if known:
        return known, False
    file = storage.store(chunks, "application/octet-stream")
    try:
        with transaction.atomic():
            twin = Scan.objects.filter(
                patient=patient,
                arch=arch,
                file=file,
                units=units,
                replaced_by=None,
                set_aside_at=None,
            ).first()
            if twin:
                return twin, False
            scan = Scan.objects.create(
                patient=patient,
                visit=visit,
                arch=arch,
                file=file,
                units=units,
                uploaded_by=user,
                upload_key=key,
            )
            older = Scan.objects.filter(patient=patient, arch=arch, replaced_by=None)
            older.filter(visit=visit).exclude(pk=scan.pk).update(replaced_by=scan)
            work.ask("inspect", scan.pk)
            record(user, "scan uploaded", scan, arch=arch, size=file.size)
    except IntegrityError:
        # The same request was under way twice; the other one made the row.
        return Scan.objects.get(upload_key=key), False
    return scan, True

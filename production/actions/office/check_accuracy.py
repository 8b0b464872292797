"""Take in the rescans of a printed check model."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.db import transaction

from clinic.models import User, record
from clinic.permissions import require
from production import storage, work
from production.actions.errors import Refused
from production.models import AccuracyCheck, Appliance, Lot, Machine

MOST_RESCANS = 6


def check_accuracy(
    user: User,
    machine: Machine,
    rescans: Sequence[Iterable[bytes]],
    lot: Lot | None = None,
    code: str = "",
) -> AccuracyCheck:
    """Store the rescans of prints of one model and ask for their comparison.

    Parameters
    ----------
    rescans : sequence of iterables of bytes
        One scan file for each print.
    lot : Lot, optional
        Of the resin.
    code : str
        Appliance whose model was printed; empty for the check body.

    Raises
    ------
    Refused
        No printer, no file, or a code without a print-ready model.
    """
    require(user, "bench")
    if machine.kind != "printer":
        raise Refused(f"{machine} does not print models.")
    if not rescans:
        raise Refused("Choose the scan of the print; several prints of one model show precision.")
    if len(rescans) > MOST_RESCANS:
        raise Refused(f"Take in at most {MOST_RESCANS} rescans at once.")
    model = None
    if code := code.strip().upper():
        printed = Appliance.objects.select_related("model").filter(code=code).first()
        if printed is None or printed.model is None or printed.model.file_id is None:
            raise Refused(f"{code} has no print-ready model; leave the code empty for the body.")
        model = printed.model
    files = [storage.store(chunks, "application/octet-stream") for chunks in rescans]
    with transaction.atomic():
        check = AccuracyCheck.objects.create(
            machine=machine,
            status=AccuracyCheck.Status.WAITING,
            model=model,
            lot=lot,
            recorded_by=user,
        )
        check.rescans.set(files)
        work.ask("accuracy", check.pk)
        record(user, "accuracy check taken in", check, machine=machine.code)
    return check

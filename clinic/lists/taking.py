"""Store what was judged good of a list, all of it or nothing, and take it back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, models, transaction
from django.db.models import ProtectedError
from django.utils import timezone

from clinic.lists.found import Moved
from clinic.lists.sheet import ListError
from clinic.models import AuditEntry, Patient, User, Visit, record

TAKEN, BACK = "list.taken_in", "list.taken_back"
BACK_WITHIN = dt.timedelta(days=1)
KINDS: dict[str, type[models.Model]] = {"patients": Patient, "visits": Visit}
_CHUNK = 500


@dataclass(frozen=True)
class Taken:
    """A list that was taken in: its line of the audit trail, what it held, how much is left."""

    entry: AuditEntry
    what: str
    count: int


@transaction.atomic
def take_in(user: User, what: str, rows: Sequence[Any], moved: Sequence[Moved] = ()) -> AuditEntry:
    """Store the rows of a list of ``what`` (a key of ``KINDS``), move what it has moved, note it.

    Raises
    ------
    ListError
        Somebody has stored one of them meanwhile; nothing of the list is stored.
    """
    try:
        with transaction.atomic():
            stored = KINDS[what]._default_manager.bulk_create(rows, batch_size=_CHUNK)
            for one in moved:
                _move(one.visit.pk, one.visit.starts_at, one.at)
    except (IntegrityError, Visit.DoesNotExist):
        raise ListError(
            "Somebody has added or changed one of them meanwhile. Nothing was taken in: read the "
            "list again."
        ) from None
    times = [[m.visit.pk, m.visit.starts_at.isoformat(), m.at.isoformat()] for m in moved]
    return record(user, TAKEN, what=what, ids=[row.pk for row in stored], moved=times)


def _move(pk: int, old: dt.datetime, new: dt.datetime) -> None:
    """Move a visit that is still planned for ``old``; raise DoesNotExist where it is not."""
    still = Visit.objects.filter(pk=pk, starts_at=old, status=Visit.Status.PLANNED)
    if not still.update(starts_at=new):
        raise Visit.DoesNotExist


def lately() -> list[Taken]:
    """Return the lists taken in within a day and not taken back, the newest first."""
    since = timezone.now() - BACK_WITHIN
    entries = AuditEntry.objects.filter(action__in=(TAKEN, BACK), at__gte=since)
    entries = entries.select_related("user")
    gone = {e.detail["entry"] for e in entries if e.action == BACK}
    return [
        Taken(e, e.detail["what"], len(e.detail["ids"]) + len(e.detail["moved"]))
        for e in entries
        if e.action == TAKEN and e.pk not in gone
    ]


@transaction.atomic
def take_back(user: User, taken: Taken) -> tuple[int, int]:
    """Remove what a list has brought in and move back what it moved, unless used since.

    Returns
    -------
    (int, int)
        How many were taken back, and how many stay because something rests on them.
    """
    rows = _unused(taken)
    gone = 0
    for row in rows:
        try:
            with transaction.atomic():
                row.delete()
            gone += 1
        except ProtectedError:
            continue
    for pk, old, new in taken.entry.detail["moved"]:
        try:
            _move(pk, dt.datetime.fromisoformat(new), dt.datetime.fromisoformat(old))
            gone += 1
        except Visit.DoesNotExist:
            continue
    record(user, BACK, entry=taken.entry.pk, removed=gone)
    return gone, taken.count - gone


def _unused(taken: Taken) -> list[Any]:
    """Return the rows of a list as they stand: visits only while they are planned and lead on."""
    ids = taken.entry.detail["ids"]
    found: list[Any] = []
    for start in range(0, len(ids), _CHUNK):
        some = KINDS[taken.what]._default_manager.filter(pk__in=ids[start : start + _CHUNK])
        if taken.what == "visits":
            some = some.filter(status=Visit.Status.PLANNED, orders=None, scans=None)
        found += some
    return found

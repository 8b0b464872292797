"""Move a visit through its day: planned, arrived, in the chair, done; or missed, cancelled."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db import transaction
from django.utils import timezone

from clinic.models import AuditEntry, User, Visit, record
from clinic.permissions import require

__all__ = ["NEXT", "UNDO_SECONDS", "VisitMoved", "recent_changes", "set_visit_status"]

UNDO_SECONDS = 60
ACTION = "visit.status"

S = Visit.Status
NEXT: dict[str, tuple[str, ...]] = {
    # what the day usually brings next, the likeliest first
    S.PLANNED: (S.ARRIVED, S.IN_CHAIR, S.MISSED),
    S.ARRIVED: (S.IN_CHAIR, S.DONE),
    S.IN_CHAIR: (S.DONE,),
    S.DONE: (),
    S.MISSED: (S.ARRIVED,),
    S.CANCELLED: (),
}


class VisitMoved(Exception):
    """Somebody else changed the visit since the page was drawn."""


@transaction.atomic
def set_visit_status(
    user: User, visit: Visit, status: str, *, seen: str, undo: bool = False
) -> bool:
    """Set ``visit`` to ``status``; True when something changed.

    Parameters
    ----------
    seen
        The status on the person's screen. The change is made only from there, so a
        tap on an old screen, or the same tap twice, does no harm.
    undo
        Noted in the audit trail: the change takes another back.

    Raises
    ------
    VisitMoved
        The visit has yet another status by now.
    ValueError
        No such status.
    """
    require(user, "book")
    if status not in S.values:
        raise ValueError(f"“{status}” is not a visit's status")
    changed = Visit.objects.filter(pk=visit.pk, status=seen).update(status=status)
    visit.refresh_from_db(fields=["status"])
    if not changed:
        if visit.status == status:
            return False
        raise VisitMoved(
            f"This visit is already marked “{visit.get_status_display()}”. Look again, then decide."
        )
    record(user, ACTION, visit, before=seen, after=status, undo=undo)
    return True


def recent_changes(visits: Sequence[Visit], now: dt.datetime | None = None) -> dict[int, str]:
    """Return, by visit id, the status to go back to, for changes younger than a minute.

    One query. A change that was itself an undo offers none.
    """
    since = (now or timezone.now()) - dt.timedelta(seconds=UNDO_SECONDS)
    current = {str(v.pk): v.status for v in visits}
    back: dict[int, str] = {}
    # By the time alone, which has an index: a minute holds few entries.
    entries = AuditEntry.objects.filter(action=ACTION, at__gte=since).order_by()
    for entry in sorted(entries, key=lambda e: e.pk):
        if entry.subject_id not in current:
            continue
        pk = int(entry.subject_id)
        if entry.detail["after"] == current[entry.subject_id] and not entry.detail["undo"]:
            back[pk] = entry.detail["before"]
        else:
            back.pop(pk, None)
    return back

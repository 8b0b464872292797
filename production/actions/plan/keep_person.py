"""Say that a person is away, that they are back, or that they will be there after all."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from clinic.models import Absence, Role, User, record
from clinic.permissions import require
from production import work
from production.actions.errors import Refused
from production.actions.spans import span_of


@transaction.atomic
def go_away(
    user: User,
    person: User,
    until: dt.datetime | None = None,
    *,
    since: dt.datetime | None = None,
    note: str = "",
    key: str = "",
) -> Absence:
    """Record that a technician is away, now or from ``since`` on; the plan does without them.

    ``key`` is the caller's idempotency key: the same request twice has the effect of one.

    Raises
    ------
    Refused
        Not a technician, an end in the past or before the beginning, no end for what begins
        later, or away then already.
    """
    require(user, "absences")
    list(User.objects.select_for_update().filter(pk=person.pk))
    if key and (earlier := Absence.objects.filter(key=key).first()):
        return earlier
    begins = could_go(person, since, until)
    absence = Absence.objects.create(
        person=person,
        starts_at=begins,
        ends_at=until,
        note=note.strip()[:120],
        recorded_by=user,
        key=key or None,
    )
    record(user, "away", person, since=_minute(begins), until=_minute(until))
    work.ask("plan", coalesce=True)
    return absence


def could_go(person: User, since: dt.datetime | None, until: dt.datetime | None) -> dt.datetime:
    """Return when an absence would begin, were it recorded now.

    Raises
    ------
    Refused
        As ``go_away`` does.
    """
    if person.role != Role.TECHNICIAN:
        raise Refused(f"The plan counts on technicians; {person} is none.")
    begins, _ = span_of(since, until)
    crossing = Absence.objects.filter(person=person).filter(Q(ends_at=None) | Q(ends_at__gt=begins))
    if until is not None:
        crossing = crossing.filter(starts_at__lt=until)
    if other := crossing.first():
        local = timezone.localtime(other.starts_at)
        raise Refused(
            f"{person} is away from {local:%a %d %b %H:%M} already: take that back first, "
            "or choose another time."
        )
    return begins


@transaction.atomic
def come_back(user: User, absence: Absence) -> None:
    """End an absence now, or take it back where it has not begun. Safe to repeat."""
    require(user, "absences")
    row = Absence.objects.select_for_update().filter(pk=absence.pk).first()
    now = timezone.now()
    if row is None or (row.ends_at is not None and row.ends_at <= now):
        return
    if row.starts_at > now:
        row.delete()
        record(user, "absence taken back", row.person, since=_minute(row.starts_at))
    else:
        row.ends_at = now
        row.save(update_fields=["ends_at"])
        record(user, "back", row.person, since=_minute(row.starts_at))
    work.ask("plan", coalesce=True)


def _minute(moment: dt.datetime | None) -> str:
    return moment.isoformat(timespec="minutes") if moment else ""

"""Who is at the bench now, until when, and who will be away."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from clinic.models import Absence, Office, Role, User
from production.scheduling.hours import open_spans
from production.scheduling.presence import presence
from production.scheduling.state import technicians

AHEAD = dt.timedelta(days=60)


@dataclass(frozen=True)
class AtBench:
    """One technician: there until a time, or away and back at one."""

    person: User
    until: dt.datetime | None  # None: not there now
    away: Absence | None  # now
    back: dt.datetime | None  # None where it is not known
    coming: list[Absence]


def at_bench(now: dt.datetime, office: Office) -> list[AtBench]:
    """Return every technician's presence, by name."""
    people = User.objects.in_bulk(technicians())
    found = presence(open_spans(office, now), people, now)
    rows = [
        AtBench(
            person=people[pk],
            until=there.until(now),
            away=there.absent(now),
            back=there.back(now),
            coming=[a for a in there.absences if now < a.starts_at < now + AHEAD],
        )
        for pk, there in found.items()
    ]
    return sorted(rows, key=lambda row: str(row.person))


def away_between(start: dt.datetime, end: dt.datetime) -> list[Absence]:
    """Return the absences of technicians that touch a span, by their beginning."""
    return list(
        Absence.objects.filter(person__role=Role.TECHNICIAN, person__is_active=True)
        .filter(starts_at__lt=end)
        .exclude(ends_at__lte=start)
        .select_related("person")
    )

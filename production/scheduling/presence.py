"""When each person is at the bench: own hours, absences, and the office's opening hours."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass, field

from clinic.models import Absence, WorkingHours
from production.scheduling.hours import FOR_GOOD, minutes_after, windows

Spans = list[tuple[dt.datetime, dt.datetime]]


@dataclass
class Presence:
    """The open spans of a person's own hours, and the absences that cut into them."""

    spans: Spans
    absences: list[Absence] = field(default_factory=list)

    def open(self, origin: dt.datetime) -> list[list[float]]:
        """Return the person's hours in minutes after ``origin``."""
        return windows(self.spans, origin)

    def down(self, origin: dt.datetime) -> list[list[float]]:
        """Return the absences in minutes after ``origin``."""
        return [
            [
                minutes_after(origin, absence.starts_at),
                FOR_GOOD if absence.ends_at is None else minutes_after(origin, absence.ends_at),
            ]
            for absence in self.absences
        ]

    def absent(self, at: dt.datetime) -> Absence | None:
        """Return the absence at ``at``, if there is one."""
        return next(
            (a for a in self.absences if a.starts_at <= at and (not a.ends_at or at < a.ends_at)),
            None,
        )

    def until(self, at: dt.datetime) -> dt.datetime | None:
        """Return when this person, who is there at ``at``, goes; None for one who is not there."""
        if self.absent(at):
            return None
        ends = [stop for start, stop in self.spans if start <= at < stop]
        ends += [a.starts_at for a in self.absences if a.starts_at > at] if ends else []
        return min(ends, default=None)

    def back(self, at: dt.datetime) -> dt.datetime | None:
        """Return when this person is next there, from ``at`` on; None when that is not known."""
        for start, stop in self.spans:
            moment = max(start, at)
            while (absence := self.absent(moment)) and absence.ends_at:
                moment = absence.ends_at
            if absence is None and moment < stop:
                return moment
        return None


def presence(spans: Spans, people: Collection[int], now: dt.datetime) -> dict[int, Presence]:
    """Return the presence of people by primary key.

    Parameters
    ----------
    spans : list of (datetime, datetime)
        When the office is open, as ``open_spans`` returns it.
    people : collection of int
    now : datetime
        Absences that ended before are left out.
    """
    own: dict[int, list[WorkingHours]] = {}
    for row in WorkingHours.objects.filter(person__in=people):
        own.setdefault(row.person_id, []).append(row)
    found = {pk: Presence(_within(spans, own[pk]) if pk in own else spans) for pk in people}
    coming = Absence.objects.filter(person__in=people).exclude(ends_at__lte=now)
    for absence in coming.select_related("recorded_by"):
        found[absence.person_id].absences.append(absence)
    return found


def _within(spans: Spans, hours: list[WorkingHours]) -> Spans:
    """Return the part of the office's open spans that lies in a person's own hours."""
    found = []
    for start, stop in spans:
        for row in hours:
            if row.weekday != start.isoweekday():
                continue
            # The spans are on the office's clock, which may change in between.
            begins = max(start, dt.datetime.combine(start, row.opens, start.tzinfo))
            ends = min(stop, dt.datetime.combine(start, row.closes, start.tzinfo))
            if ends > begins:
                found.append((begins, ends))
    return found

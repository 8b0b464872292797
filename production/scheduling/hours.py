"""Opening hours as windows in minutes from an instant.

Wall-clock windows become instants in the office's time zone first, so a day on
which clocks change has the length it really has.
"""

from __future__ import annotations

import datetime as dt

from clinic.models import ClosedDay, Office, OpeningHours

HORIZON_DAYS = 35
#: Minutes after which nothing is planned: the end of what has no end.
FOR_GOOD = 60.0 * 24 * 60


def open_spans(
    office: Office, start: dt.datetime, days: int = HORIZON_DAYS
) -> list[tuple[dt.datetime, dt.datetime]]:
    """Return the open spans from the day of ``start`` on, as aware datetimes, in order."""
    zone = office.zone
    first = start.astimezone(zone).date()
    closed = set(
        ClosedDay.objects.filter(date__range=(first, first + dt.timedelta(days=days))).values_list(
            "date", flat=True
        )
    )
    by_weekday: dict[int, list[OpeningHours]] = {}
    for hours in OpeningHours.objects.all():
        by_weekday.setdefault(hours.weekday, []).append(hours)
    spans = []
    for offset in range(days):
        day = first + dt.timedelta(days=offset)
        if day in closed:
            continue
        for hours in by_weekday.get(day.isoweekday(), []):
            spans.append(
                (
                    dt.datetime.combine(day, hours.opens, zone),
                    dt.datetime.combine(day, hours.closes, zone),
                )
            )
    return spans


def is_open(office: Office, at: dt.datetime) -> bool:
    """Whether somebody is there to hand over at ``at``, the minute of closing included."""
    return any(start <= at <= end for start, end in open_spans(office, at, 1))


def windows(spans: list[tuple[dt.datetime, dt.datetime]], origin: dt.datetime) -> list[list[float]]:
    """Return ``spans`` as [from, to] in minutes after ``origin``; what has passed is left out.

    So is what begins in the hour that clocks skip and is over, as an instant, before it begins.
    """
    found = []
    for start, stop in spans:
        begin, end = minutes_after(origin, start), minutes_after(origin, stop)
        if end > max(begin, 0.0):
            found.append([begin, end])
    return found


def minutes_after(origin: dt.datetime, moment: dt.datetime) -> float:
    """Return the minutes from ``origin`` to ``moment``; negative when it is past."""
    # Instants, not wall clocks: two datetimes of one zone would subtract as clocks do.
    return (moment.timestamp() - origin.timestamp()) / 60.0

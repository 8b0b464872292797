"""Keep a running series true to what the patient wears: its pace, its pauses."""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from clinic.models import Office, User, record
from clinic.permissions import require
from production.actions.errors import Refused
from production.models import Series


def change_series(
    user: User,
    series: Series,
    *,
    worn: int,
    since: dt.date,
    wear_days: int,
    steps_per_visit: int,
    next_visit_on: dt.date | None,
) -> None:
    """Set the step in the mouth, since when, and how the following ones are worn.

    A pause ends with it: who says what is worn says that it is worn.

    Raises
    ------
    Refused
        The series is over, has no such step, or a step after the first begins in the future.
    """
    require(user, "order")
    with transaction.atomic():
        row = _open(series)
        today = Office.get().today()
        if not 1 <= worn <= row.last_number:
            raise Refused(f"This series has steps 1 to {row.last_number}.")
        if since > today and worn > 1:
            raise Refused("Only a series that has not begun yet may begin in the future.")
        row.started_on = since - dt.timedelta(days=(worn - 1) * wear_days)
        row.wear_days, row.steps_per_visit = wear_days, steps_per_visit
        row.next_visit_on = next_visit_on
        row.status, row.paused_on, row.paused_until = Series.Status.RUNNING, None, None
        row.save()
        facts = {"worn": worn, "since": since.isoformat(), "wear_days": wear_days}
        record(user, "series changed", row, **facts)
    series.refresh_from_db()


def pause_series(user: User, series: Series, *, until: dt.date | None = None) -> None:
    """Let nothing be made ahead for a while; the step in the mouth stays where it is.

    Parameters
    ----------
    user : User
    series : Series
    until : date, optional
        First day on which the next steps are worn again: they are made in time for it.
        Without one the series rests until somebody lets it go on.

    Raises
    ------
    Refused
        The series is over, or the day is not after today.
    """
    require(user, "order")
    with transaction.atomic():
        row = _open(series)
        today = Office.get().today()
        if until is not None and until <= today:
            raise Refused("Choose a day after today, or leave it open.")
        row.started_on = row.began(today)
        if not row.rests(today):
            row.paused_on = today
        row.status, row.paused_until = Series.Status.PAUSED, until
        row.save()
        told = until.isoformat() if until else ""
        record(user, "series paused", row, until=told)
    series.refresh_from_db()


def resume_series(user: User, series: Series) -> None:
    """Let a paused series go on where it stopped: the days of the pause are no wear."""
    require(user, "order")
    with transaction.atomic():
        row = _open(series)
        today = Office.get().today()
        row.started_on = row.began(today)
        if row.rests(today) and row.paused_on is not None:
            row.started_on += today - row.paused_on
        row.status, row.paused_on, row.paused_until = Series.Status.RUNNING, None, None
        row.save()
        record(user, "series resumed", row)
    series.refresh_from_db()


def _open(series: Series) -> Series:
    row = Series.objects.select_for_update().get(pk=series.pk)
    if row.status == Series.Status.FINISHED:
        raise Refused("This series is over.")
    return row

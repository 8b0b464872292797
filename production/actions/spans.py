"""The span in which something or somebody cannot be counted on, as it was typed."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone

from production.actions.errors import Refused

#: A beginning this near is now: the clock went on while the form was filled in.
AT_ONCE = dt.timedelta(minutes=1)
LONGEST = dt.timedelta(days=366)


def span_of(since: dt.datetime | None, until: dt.datetime | None) -> tuple[dt.datetime, bool]:
    """Return when the span begins, and whether that is now.

    Parameters
    ----------
    since : datetime or None
        None: now, as is what lies before.
    until : datetime or None
        None: until further notice.

    Raises
    ------
    Refused
        An end in the past, before the beginning or more than a year after it, or no end for
        what begins later.
    """
    now = timezone.now()
    at_once = since is None or since <= now + AT_ONCE
    begins = now if since is None or at_once else since
    if until is not None and until <= now:
        raise Refused("The end must lie ahead; leave it empty if it is not known.")
    if until is not None and until <= begins:
        raise Refused("The end must come after the beginning.")
    if until is not None and until - begins > LONGEST:
        raise Refused("That is more than a year: look at the date of the end.")
    if until is None and not at_once:
        raise Refused("Give the end as well: what begins later is planned around until then.")
    return begins, at_once

"""What was typed into a form that could not be recorded, until its page is drawn again.

The answer to such a form is the way back to its page, as it is to one that was recorded: a page
that answered a form itself would stand in the way of the browser's back button.
"""

from __future__ import annotations

import datetime as dt

from django.http import HttpRequest, QueryDict
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from production.actions.errors import Refused

NAME = "typed"


def hold(request: HttpRequest, path: str = "", **more: list[str]) -> None:
    """Hold the form for the next page drawn at ``path`` (the form's own when left out)."""
    fields = request.POST.copy()
    for name in ("csrfmiddlewaretoken", "key", "seen"):
        fields.pop(name, None)
    for name, values in more.items():
        fields.setlist(name, values)
    request.session[NAME] = {"path": path or request.path, "fields": fields.urlencode()}


def take(request: HttpRequest) -> QueryDict:
    """Return what is held for this page, once; empty when nothing is."""
    held = request.session.get(NAME)
    if not held or held["path"] != request.path:
        return QueryDict()
    del request.session[NAME]
    return QueryDict(held["fields"])


def moment(fields: QueryDict, name: str) -> dt.datetime | None:
    """Read a time on the office's clock; None when the field is empty.

    Raises
    ------
    Refused
        It is no time.
    """
    text = fields.get(name, "").strip()
    try:
        found = parse_datetime(text)
    except ValueError:
        found = None
    if found is None and text:
        raise Refused(f"“{text[:40]}” is no time; write it as year-month-day and hour:minute.")
    return timezone.make_aware(found) if found and timezone.is_naive(found) else found

"""What was typed into a form that could not be recorded, until its page is drawn again.

The answer to such a form is the way back to its page, as it is to one that was recorded: a page
that answered a form itself would stand in the way of the browser's back button.
"""

from __future__ import annotations

from django.http import HttpRequest, QueryDict

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

"""Live parts of pages: answer a poll only when something changed.

A live part polls its own address with ``?seen=VERSION``, the version it shows.
``live`` answers 204 (htmx leaves the page alone) while that is still the
current one, so ten open screens cost a few cheap selector queries a second.
"""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from production.selectors.version import version_of

__all__ = ["live", "version_of"]


def live(request: HttpRequest, version: str, render: Callable[[], HttpResponse]) -> HttpResponse:
    """Answer a poll: 204 when the page already shows ``version``, else ``render()``.

    ``If-None-Match`` is honoured too, for clients that keep entity tags.
    """
    tag = f'"{version}"'
    if request.GET.get("seen") == version or request.headers.get("If-None-Match") == tag:
        response = HttpResponse(status=204)
    else:
        response = render()
    response.headers["ETag"] = tag
    return response

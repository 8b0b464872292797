"""Style sheets carry their version in their address, so that no screen keeps an old one.

A tablet stays on for weeks: after an update it would show new pages with the style of before for
as long as it may keep a file. Scripts import each other by plain addresses: they are used as they
are kept and asked for anew meanwhile (RFC 5861), so that on a slow network the scanner need not
wait for them, and an update is there with the page after the next.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from wsgiref.headers import Headers

from django.contrib.staticfiles import finders
from django.contrib.staticfiles.storage import StaticFilesStorage

VERSIONED = ".css"
KEPT_A_PAGE = "max-age=0, stale-while-revalidate=604800"


class Versioned(StaticFilesStorage):
    """Addresses of static files, with a digest of the content where it may be kept."""

    def url(self, name: str | None) -> str:
        """Return the address of ``name``."""
        address = super().url(name)
        found = finders.find(name) if name and name.endswith(VERSIONED) else None
        if not isinstance(found, str):
            return address
        return f"{address}?v={_digest(found, Path(found).stat().st_mtime_ns)}"


@lru_cache(maxsize=256)
def _digest(path: str, changed: int) -> str:
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()[:10]


def headers(headers: Headers, path: str, url: str) -> None:
    """Let a browser keep a file for long only if its address changes with it."""
    if not url.endswith(VERSIONED):
        headers["Cache-Control"] = KEPT_A_PAGE

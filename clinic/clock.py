"""The office's time zone, read once a request."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from zoneinfo import ZoneInfo

from clinic.models import Office

__all__ = ["keeping", "office_zone"]

_zone: ContextVar[ZoneInfo | None] = ContextVar("office_zone", default=None)


def office_zone() -> ZoneInfo:
    """Return the zone of the office's clock: what the request read, else what is stored."""
    return _zone.get() or Office.get().zone


@contextmanager
def keeping(zone: ZoneInfo) -> Iterator[None]:
    """Let ``office_zone`` answer ``zone`` for what is done inside."""
    token = _zone.set(zone)
    try:
        yield
    finally:
        _zone.reset(token)

"""What was scanned and ticked for a step that is not recorded yet, kept with the tablet.

The draft lives in the session: lots, machine and ticks survive a reload and a walk
across the room, and are forgotten as soon as their subject moves.
"""

from __future__ import annotations

from typing import Any

from django.contrib.sessions.backends.base import SessionBase

KEPT = 12
NAME = "bench"


class Draft:
    """The draft of one subject (an appliance or a load) at one version of it."""

    def __init__(self, session: SessionBase, subject: str, version: str) -> None:
        self._session, self._subject = session, subject
        held: dict[str, Any] = session.get(NAME, {}).get(subject, {})
        if held.get("version") != version:
            held = {}
        self.version = version
        self.ticks: list[str] = list(held.get("ticks", []))
        self.lots: list[int] = list(held.get("lots", []))
        self.machine: int | None = held.get("machine")
        self.program: int | None = held.get("program")
        #: Whether a form that showed the lots was sent: what it left out is not taken.
        self.lots_shown: bool = bool(held.get("lots_shown"))

    def save(self) -> None:
        """Keep it; the oldest drafts of the tablet are dropped."""
        drafts: dict[str, Any] = dict(self._session.get(NAME, {}))
        drafts.pop(self._subject, None)
        drafts[self._subject] = {
            "version": self.version,
            "ticks": self.ticks,
            "lots": self.lots,
            "machine": self.machine,
            "program": self.program,
            "lots_shown": self.lots_shown,
        }
        self._session[NAME] = dict(list(drafts.items())[-KEPT:])

    def tick(self, item: str, on: bool = True) -> None:
        """Tick a line of the card, or clear it."""
        if on and item not in self.ticks:
            self.ticks.append(item)
        elif not on and item in self.ticks:
            self.ticks.remove(item)

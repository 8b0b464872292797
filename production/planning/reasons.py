"""Why a job cannot be finished: what is missing, of which kinds, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

__all__ = ["ABSENT", "CLOSED", "NO_ROOM", "TOO_FEW", "TOO_LARGE", "Reason", "no_room"]

ABSENT = "absent"  # there is nothing of the kind
CLOSED = "closed"  # nothing of the kind is open for as long as it takes
TOO_LARGE = "too_large"  # it exceeds what anything of the kind holds
TOO_FEW = "too_few"  # there are too few people for all that it needs at once
NO_ROOM = "no_room"  # every step by itself could be made; all of them, or beside others, cannot


@dataclass(frozen=True)
class Reason:
    """Why a job cannot be finished.

    ``kind`` is one of this module's; ``names`` are the kinds of resource concerned (their ids
    where a step names no kind); ``step`` is the first that can never be made, if it is one.
    """

    kind: str
    words: str
    names: tuple[str, ...] = ()
    step: int | None = None

    def __str__(self) -> str:
        return self.words

    def as_json(self) -> dict[str, Any]:
        """Return ``{"reason": words, "cause": {"kind", "names", "step"}}``."""
        cause = {"kind": self.kind, "names": list(self.names), "step": self.step}
        return {"reason": self.words, "cause": cause}


def no_room(job: str | int, words: str = "all its steps") -> Reason:
    """Return the reason that lies in no one step."""
    return Reason(NO_ROOM, f"job {job!r}: no open time left for {words}")

"""What can never be made as things stand: the planner's reason in words for the desk."""

from __future__ import annotations

import re
from dataclasses import dataclass

from production.models import Stage

_PLACE = re.compile(r"^job .*? step \d+: ")
_NONE_LEFT = re.compile(r"no open time left (?:on|of) any '(.+?)'")
_NONE_AT_ALL = re.compile(r"no resource of kind '(.+?)'")
WEEKS = "in the coming weeks"


@dataclass(frozen=True)
class Never:
    """Why something is not made, and what would let it be made."""

    cause: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.cause[:1].upper()}{self.cause[1:]}. {self.remedy}."


def never(reason: str) -> Never | None:
    """Return what the reason of a job that cannot be finished means here; None for another."""
    reason = _PLACE.sub("", reason)
    if reason.startswith("too few people"):
        return Never("it takes more people at once than there are", "Look at who is at the bench")
    gone = _NONE_AT_ALL.match(reason)
    found = gone or _NONE_LEFT.match(reason)
    if found is None:
        return None
    kind = found[1]
    if kind in Stage.MachineKind.values:
        name = Stage.MachineKind(kind).label.lower()
        if gone:
            return Never(f"the office has no {name}", "The manager adds it in the settings")
        return Never(
            f"no {name} is in service {WEEKS}", "Say on the machine's page when it will be back"
        )
    if kind == "chair":
        return Never(f"the office is not open {WEEKS}", "The manager enters when it is open")
    who = kind if kind.startswith("technician ") else "technician for it"
    return Never(f"no {who} is at the bench {WEEKS}", "Look at who is at the bench")

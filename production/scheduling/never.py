"""What can never be made as things stand: the planner's reason in words for the desk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from production.models import Stage
from production.planning.reasons import ABSENT, CLOSED, TOO_FEW

WEEKS = "in the coming weeks"


@dataclass(frozen=True)
class Never:
    """Why something is not made, and what would let it be made."""

    cause: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.cause[:1].upper()}{self.cause[1:]}. {self.remedy}."


def never(cause: Mapping[str, Any] | None) -> Never | None:
    """Return what the cause of a job that cannot be finished means here; None for another.

    ``cause`` as the planner gives it beside its ``reason`` (``planning/reasons.py``).
    """
    if cause is None or cause["kind"] not in (ABSENT, CLOSED, TOO_FEW):
        return None
    if cause["kind"] == TOO_FEW:
        return Never("it takes more people at once than there are", "Look at who is at the bench")
    (kind,) = cause["names"]
    if kind in Stage.MachineKind.values:
        name = Stage.MachineKind(kind).label.lower()
        if cause["kind"] == ABSENT:
            return Never(f"the office has no {name}", "The manager adds it in the settings")
        return Never(
            f"no {name} is in service {WEEKS}", "Say on the machine's page when it will be back"
        )
    if kind == "chair":
        return Never(f"the office is not open {WEEKS}", "The manager enters when it is open")
    who = kind if kind.startswith("technician ") else "technician for it"
    return Never(f"no {who} is at the bench {WEEKS}", "Look at who is at the bench")

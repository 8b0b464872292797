"""How likely a promise is kept, in words: one scale for every screen and paper."""

from __future__ import annotations

from dataclasses import dataclass

from clinic.models import Office

__all__ = ["CLOSED", "Likelihood", "likelihood"]

# A foresight counts futures: none of some thousand going wrong is not certainty.
CERTAIN = 0.9999


@dataclass(frozen=True)
class Likelihood:
    """A word, a picture and a number that say the same.

    ``tone`` is a class of the style sheet; ``level`` sorts from calm (0) to worst (3).
    """

    word: str
    icon: str
    tone: str
    level: int
    p_kept: float | None

    @property
    def at_risk(self) -> bool:
        """Whether cause and rescue must be shown."""
        return self.level >= 2


#: Nobody would be there at the time, whenever the work is done.
CLOSED = Likelihood("Office closed", "pause", "warn", 2, None)


def likelihood(p_late: float | None, office: Office) -> Likelihood:
    """Put ``p_late`` (0–1, or None before the planner has spoken) into words.

    “On track” is what the office would promise afresh; “tight” is still within its
    risk limit; “at risk” is past the limit; “likely late” is worse than even.
    """
    if p_late is None:
        return Likelihood("Being worked out", "clock", "", 0, None)
    kept = min(CERTAIN, max(1.0 - CERTAIN, 1.0 - p_late))
    if p_late > 0.5:
        return Likelihood("Likely late", "stop", "bad", 3, kept)
    if p_late > office.risk_limit:
        return Likelihood("At risk", "warn", "warn", 2, kept)
    if p_late > 1.0 - office.confidence:
        return Likelihood("Tight", "clock", "calm", 1, kept)
    return Likelihood("On track", "ok", "good", 0, kept)

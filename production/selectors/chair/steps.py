"""How far teeth move from step to step, drawn to be looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

HEADROOM = 1.25  # of the limit: so much fits beside it when nothing goes beyond


@dataclass(frozen=True)
class Bar:
    """The largest tooth movement between two steps.

    Attributes
    ----------
    share, limit_share : float
        Length of the bar, and where the limit stands, in percent of the picture's width.
    over : bool
        More than the limit allows.
    doubtful : bool
        One of the two is out of place: the movement is none that the series plans.
    """

    first: int
    last: int
    mm: float
    share: float
    limit_share: float
    over: bool
    doubtful: bool


def movement_bars(arch: dict[str, Any], limit_mm: float) -> list[Bar]:
    """Return a bar for every two consecutive steps of an arch of a series' check."""
    movements = arch.get("movements", [])
    if not movements:
        return []
    widest = max([HEADROOM * limit_mm, *(m["mm"] for m in movements)])
    beyond = {(m["from"], m["to"]) for m in arch.get("over_limit", [])}
    odd = {step for pair in arch.get("swapped", []) for step in pair}
    odd |= {one["step"] for one in arch.get("misplaced", [])}
    return [
        Bar(
            m["from"],
            m["to"],
            m["mm"],
            100 * m["mm"] / widest,
            100 * min(1.0, limit_mm * (m["to"] - m["from"]) / widest),
            (m["from"], m["to"]) in beyond,
            bool({m["from"], m["to"]} & odd),
        )
        for m in movements
    ]

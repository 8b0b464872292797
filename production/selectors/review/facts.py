"""What a day came to, as counts that add up: the ground that every figure of the review stands on.

The facts of a range are the sum of its days (``production.selectors.review.days``).
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from clinic.clock import office_zone

#: Lead times are counted in steps of five minutes.
LEAD_STEP = 5
#: Stated probabilities are compared with what happened in these bands.
BANDS = (0.0, 0.5, 0.8, 0.9, 0.95, 0.975)


@dataclass
class Facts:
    """What is counted; everything adds up over days. JSON-ready.

    ``tries``, ``failed`` and ``remade`` are keyed ``stage:print``, ``machine:3``, ``lot:12``
    or ``person:4``.
    """

    due: int = 0
    kept: int = 0
    ready: int = 0
    ready_bad: int = 0
    handed_over: int = 0
    failures: int = 0
    remakes: int = 0
    arrived: int = 0
    present_days: float = 0.0
    left: int = 0
    stay_days: float = 0.0
    lead: Counter[str] = field(default_factory=Counter)
    results: Counter[str] = field(default_factory=Counter)
    good: Counter[str] = field(default_factory=Counter)
    causes: Counter[str] = field(default_factory=Counter)
    band_count: Counter[str] = field(default_factory=Counter)
    band_kept: Counter[str] = field(default_factory=Counter)
    band_stated: Counter[str] = field(default_factory=Counter)
    # Where work fails.
    tries: Counter[str] = field(default_factory=Counter)
    failed: Counter[str] = field(default_factory=Counter)
    remade: Counter[str] = field(default_factory=Counter)
    # What it costs: money by kind of material; minutes of hands by stage, out of the results
    # that were timed and of all there were.
    material_cost: Counter[str] = field(default_factory=Counter)
    hand_minutes: Counter[str] = field(default_factory=Counter)
    hand_timed: Counter[str] = field(default_factory=Counter)
    hand_results: Counter[str] = field(default_factory=Counter)
    # What the machines could do and did, in minutes inside opening hours, by machine.
    open_minutes: float = 0.0
    away_minutes: float = 0.0  # of all technicians
    down_minutes: Counter[str] = field(default_factory=Counter)
    run_minutes: Counter[str] = field(default_factory=Counter)
    loads: Counter[str] = field(default_factory=Counter)
    in_loads: Counter[str] = field(default_factory=Counter)

    def add(self, other: Facts) -> None:
        """Add another day."""
        mine = vars(self)
        for name, value in vars(other).items():
            if isinstance(value, Counter):
                sums = mine[name]
                known = sums.get
                for key, number in value.items():
                    sums[key] = known(key, 0) + number
            else:
                mine[name] += value

    def stored(self) -> dict[str, Any]:
        """Return the facts ready for JSON, without what is empty."""
        return {n: dict(v) if isinstance(v, Counter) else v for n, v in vars(self).items() if v}

    @classmethod
    def read(cls, data: dict[str, Any]) -> Facts:
        """Return stored facts."""
        found = cls()
        for name, value in data.items():
            setattr(found, name, Counter(value) if isinstance(value, dict) else value)
        return found


def day_start(day: dt.date, zone: ZoneInfo | None = None) -> dt.datetime:
    """Return midnight at the beginning of ``day`` on the office's clock, or in ``zone``."""
    return dt.datetime.combine(day, dt.time(), zone or office_zone())


def total(days: Iterable[Facts]) -> Facts:
    """Return the sum of some days."""
    found = Facts()
    for day in days:
        found.add(day)
    return found


def lead_percentile(lead: Counter[str], level: float) -> float | None:
    """Return a percentile of the lead time in minutes, within the counting step."""
    size = sum(lead.values())
    if not size:
        return None
    wanted, seen = level * size, 0.0
    for step, number in sorted((int(k), n) for k, n in lead.items()):
        if seen + number >= wanted:
            return step + LEAD_STEP * (wanted - seen) / number
        seen += number
    return None

"""What the checks of a plan share: rows of the plan, open time, what runs at a moment."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

CLOSE = 1e-5
Row = dict[str, Any]


def open_for(windows: Any, start: float, end: float, attended: bool) -> bool:
    """Whether it lies in a window; what is not attended may end later, not begin at the close.

    One that begins by the time another closes goes on from it.
    """
    if windows is None:
        return True
    return any(
        start >= low - CLOSE and (end <= high + CLOSE or (not attended and start < high))
        for low, high in ((low, _on_until(windows, high)) for low, high in windows)
    )


def _on_until(windows: Any, close: float) -> float:
    """Return when the windows that follow one another from ``close`` on really close."""
    while (later := max(high for low, high in windows if low <= close)) > close:
        close = later
    return close


def running_at(rows: list[Row], moments: list[float]) -> Iterator[tuple[float, list[Row]]]:
    """Yield each moment (in ascending order) and what runs just after it."""
    waiting = sorted(rows, key=lambda row: row["start"])
    here: list[Row] = []
    begun = 0
    for t in moments:
        while begun < len(waiting) and waiting[begun]["start"] <= t + CLOSE:
            here.append(waiting[begun])
            begun += 1
        here = [row for row in here if row["end"] > t + CLOSE]
        yield t, here

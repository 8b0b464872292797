"""Dates and times as lists write them. Which of day and month comes first the list must show."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from enum import StrEnum

from clinic.search import read_date

_FIGURES = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})")
_TIME = re.compile(r"(\d{1,2})(?:[:.h](\d{2}))?(?::\d{2})?\s*([ap])?\.?(?:m\.?)?", re.IGNORECASE)
_TIME_AT_END = re.compile(
    r"(.*?\d)[ T,]+"
    r"(\d{1,2}[:.h]\d{2}(?::\d{2})?(?:\.\d+)?\s*(?:[ap]\.?m\.?)?|\d{1,2}\s*[ap]\.?m\.?)",
    re.IGNORECASE,
)


class Order(StrEnum):
    """Which comes first in a date of three figures that does not begin with the year."""

    DAY = "day"
    MONTH = "month"
    OPEN = "open"  # no date of the list shows it
    MIXED = "mixed"  # dates of the list contradict each other


def order_of(texts: Iterable[str]) -> Order | None:
    """Return what the dates show; None where none of them is written in three figures."""
    first = second = some = False
    for text in texts:
        match = _FIGURES.match(text.strip())
        if match:
            some = True
            first |= int(match[1]) > 12
            second |= int(match[2]) > 12
    if not some:
        return None
    if first and second:
        return Order.MIXED
    return Order.DAY if first else Order.MONTH if second else Order.OPEN


def read(text: str, order: Order | None, today: dt.date, *, born: bool = False) -> dt.date | None:
    """Return the date, or None where it is none.

    A year of two figures is the latest such year that is not in the future where somebody was
    ``born`` then, else the one of this century.
    """
    match = _FIGURES.fullmatch(text.strip())
    if match is None:
        return read_date(text)
    if order not in (Order.DAY, Order.MONTH):
        return None
    day, month, year = (int(group) for group in match.groups())
    if order is Order.MONTH:
        day, month = month, day
    if len(match[3]) == 2:
        year += today.year // 100 * 100
        if born and year > today.year:
            year -= 100
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def apart(text: str) -> tuple[str, str]:
    """Return date and time of day of a cell that may hold both; "" for what is not there."""
    match = _TIME_AT_END.fullmatch(text.strip())
    return (match[1], match[2]) if match else (text, "")


def read_time(text: str) -> dt.time | None:
    """Return a time of day, such as 9:40, 14.30, 2:30 pm; None where it is none."""
    match = _TIME.fullmatch(text.strip())
    if match is None or (match[2] is None and match[3] is None):
        return None
    hour, minute = int(match[1]), int(match[2] or 0)
    if match[3]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match[3].lower() == "p" else 0)
    try:
        return dt.time(hour, minute)
    except ValueError:
        return None

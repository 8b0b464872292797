"""What was found in a list, before anything of it is stored."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models

from clinic.lists.dates import Order
from clinic.models import Visit


@dataclass(frozen=True)
class Odd:
    """A row that is left out, and why."""

    line: int
    cells: list[str]
    words: str

    @property
    def said(self) -> str:
        """What the row says, without its empty cells."""
        return " · ".join(cell for cell in self.cells if cell)


@dataclass(frozen=True)
class Moved:
    """A visit in the book that the list has at another time."""

    visit: Visit
    at: dt.datetime


@dataclass
class Found:
    """The rows of a list: what would be added, what is here already, what is left out."""

    new: list[Any] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    #: Planned visits in the days of the list, which does not have them.
    absent: list[Visit] = field(default_factory=list)
    same: int = 0
    odd: list[Odd] = field(default_factory=list)
    order: Order | None = None
    #: What the person has to say before the list can be read, in words.
    asks: list[str] = field(default_factory=list)


def order_asked(order: Order | None) -> list[str]:
    """Ask which of day and month comes first, where the dates do not show it."""
    if order is Order.OPEN:
        return ["Does the day or the month come first in its dates? No date in it shows which."]
    if order is Order.MIXED:
        return [
            "Some of its dates can only be day first, others only month first. Say which holds; "
            "what then is no date is left out."
        ]
    return []


def faults(row: models.Model) -> str:
    """Return why the fields of ``row`` cannot be stored, in words; "" where they can."""
    try:
        row.clean_fields()
    except ValidationError as error:
        return "; ".join(
            f"{name.replace('_', ' ')}: {' '.join(words)}"
            for name, words in error.message_dict.items()
        )
    return ""

"""What the columns of a list are: by their names, or as the person says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from clinic.lists.sheet import Row, Sheet
from clinic.names import plain


@dataclass(frozen=True)
class Field:
    """Something that a list may tell, and the names that lists have for it."""

    key: str
    label: str
    names: tuple[str, ...]


def guess(header: list[str], fields: tuple[Field, ...]) -> list[str]:
    """Return the key of each column's field, "" where its name says nothing; none twice."""
    taken: list[str] = []
    for name in header:
        said = plain(name)
        key = next((f.key for f in fields if said in f.names or said == plain(f.label)), "")
        taken.append("" if key in taken else key)
    return taken


class Cells:
    """Reads a row's cells by the key of their field."""

    def __init__(self, sheet: Sheet, columns: list[str]) -> None:
        self.places: Mapping[str, int] = {key: i for i, key in enumerate(columns) if key}
        self.width = len(sheet.header)

    def has(self, key: str) -> bool:
        """Whether the list has such a column."""
        return key in self.places

    def of(self, row: Row, key: str) -> str:
        """Return the cell, "" where the column or the cell is missing."""
        place = self.places.get(key)
        return row.cells[place] if place is not None and place < len(row.cells) else ""

    def overflow(self, row: Row) -> str:
        """Say so where a row has more cells than there are columns: all may be shifted."""
        if any(row.cells[self.width :]):
            return "more cells than the first line has: put what holds a comma in quotation marks"
        return ""

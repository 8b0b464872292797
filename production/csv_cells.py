"""Cells of comma-separated lists (RFC 4180) that a spreadsheet does not take for formulas."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from typing import Any

FORMULA = ("=", "+", "-", "@", "\t", "\r")


def guarded(cell: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula (OWASP ASVS 1.2.10)."""
    return "'" + cell if isinstance(cell, str) and cell.startswith(FORMULA) else cell


class Cells:
    """Writes cells as one line without its end."""

    def __init__(self) -> None:
        # The writer hands each line to ``self.write``: one object serves a long list.
        self._writer = csv.writer(self, lineterminator="")
        self._line = ""

    def write(self, line: str) -> None:
        """Take what the writer made."""
        self._line = line

    def __call__(self, *cells: Any) -> str:
        """Return the cells as a line."""
        self._writer.writerow([guarded(cell) for cell in cells])
        return self._line


def listed(rows: Iterable[Iterable[Any]]) -> str:
    """Return rows of cells as a list, each line with its end."""
    line = Cells()
    return "".join(f"{line(*row)}\r\n" for row in rows)

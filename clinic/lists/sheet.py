"""A list as text: comma-separated values (RFC 4180) and what spreadsheets make of them."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

DELIMITERS = ",;\t|"
MOST_ROWS = 20_000
MOST_BYTES = 5 * 2**20


class ListError(Exception):
    """The list cannot be read; ``words`` say where and what to do."""

    def __init__(self, words: str) -> None:
        super().__init__(words)
        self.words = words


@dataclass(frozen=True)
class Row:
    """A row of a list: the line of the text it ends on, and its cells."""

    line: int
    cells: list[str]


@dataclass(frozen=True)
class Sheet:
    """A list with the names of its columns."""

    header: list[str]
    rows: list[Row]


def decode(data: bytes) -> str:
    """Return a file's text: UTF-8, UTF-16 with its mark, else the Western code page 1252.

    Raises
    ------
    ListError
        It is too large, or no text.
    """
    if len(data) > MOST_BYTES:
        raise ListError(
            f"The file has {len(data) / 2**20:.0f} MB; a list may have {MOST_BYTES // 2**20}. "
            "Split it, or leave out columns that are not needed."
        )
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError:
            raise ListError("The file breaks off within a letter: save it again.") from None
    if data.startswith((b"PK", b"\xd0\xcf\x11\xe0", b"%PDF")) or b"\0" in data:
        raise ListError(
            "This is no list as text. Open it in the spreadsheet and save it as CSV (UTF-8), then "
            "choose that file."
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def read_sheet(text: str) -> Sheet:
    """Return the rows below the first line, which names the columns; empty lines are left out.

    Commas, semicolons, tabs and bars are understood, whichever the first line has most of.

    Raises
    ------
    ListError
        There is nothing in it, it is too long, or a quotation mark is never closed.
    """
    text = text.lstrip("\ufeff")
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(DELIMITERS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    found: list[Row] = []
    try:
        for cells in reader:
            tidy = [" ".join(cell.split()) for cell in cells]
            if not any(tidy):
                continue
            found.append(Row(reader.line_num, tidy))
            if len(found) > MOST_ROWS + 1:
                raise ListError(f"A list may have {MOST_ROWS:,} rows at a time: split it.")
    except csv.Error as error:
        raise ListError(
            f"Line {reader.line_num} cannot be read ({error}): look for a quotation mark that is "
            "not closed."
        ) from None
    if not found:
        raise ListError("The list is empty. Its first line names the columns.")
    header, *rows = found
    if not rows:
        raise ListError(
            "The list has one line only. The first line names the columns, the rows come below it."
        )
    return Sheet(header.cells, rows)

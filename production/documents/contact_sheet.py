"""A long table on paper, drawn line by line.

A list of thousands is wanted at once when a lot is recalled; laying it out from HTML takes a
hundred times as long.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["Column", "Line", "draw", "printable"]

MM = 72 / 25.4
PAGE = (297 * MM, 210 * MM)  # A4 across
MARGIN, PAD = 14 * MM, 1.2 * MM
FONT, BOLD = "Sheet", "SheetBold"
SIZE, LEAD, HEAD, TITLE = 8.0, 10.0, 7.5, 16.0
#: No line of a table is higher than this many lines of text; what is longer goes on below.
HIGHEST = 24

#: The cells of a line, each a list of texts one under the other; missing cells stay empty.
Line = Sequence[Sequence[str]]


@dataclass(frozen=True)
class Column:
    """A column: its heading, its width in mm, and whether a rule sets it off to write in."""

    head: str
    width: float
    ruled: bool = False


def draw(
    title: str, above: Sequence[str], columns: Sequence[Column], lines: Iterable[Line]
) -> bytes:
    """Return the table as a PDF, its heads on every page; the same input gives the same bytes.

    Parameters
    ----------
    title, above
        The heading, and paragraphs below it, on the first page.
    columns
        Together as wide as A4 across within its margins (269 mm), or less.
    lines
        The cells of each line. What is too wide is broken into lines, not cut off.
    """
    # Imported here: commands that print nothing should not pay for it.
    from reportlab.pdfgen.canvas import Canvas

    _fonts()
    rows = [row for line in lines for row in _broken(line, columns)]
    pages = _pages(rows, above)
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=PAGE, invariant=1, lang="en", pageCompression=1)
    canvas.setTitle(title)
    for number, page in enumerate(pages, 1):
        y = PAGE[1] - MARGIN
        if number == 1:
            y = _heading(canvas, title, above, y)
        y = _heads(canvas, columns, y)
        _table(canvas, columns, page, y)
        canvas.setFont(FONT, SIZE)
        canvas.drawRightString(PAGE[0] - MARGIN, MARGIN / 2, f"{number} / {len(pages)}")
        canvas.showPage()
    canvas.save()
    return out.getvalue()


@cache
def _fonts() -> None:
    """Make the letters known: those that come with the library of charts, on every system."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = files("matplotlib") / "mpl-data" / "fonts" / "ttf"
    pdfmetrics.registerFont(TTFont(FONT, str(folder / "DejaVuSans.ttf")))
    pdfmetrics.registerFont(TTFont(BOLD, str(folder / "DejaVuSans-Bold.ttf")))


def printable(text: str) -> bool:
    """Whether the list can show ``text``: its letters are there, and run from left to right.

    The letters are set one after the other as they are stored: writing that runs the other way or
    joins its letters would come out wrong without looking so.
    """
    _fonts()
    widths, _ = _widths()
    return all(
        ord(letter) in widths and unicodedata.bidirectional(letter) not in ("R", "AL")
        for letter in unicodedata.normalize("NFC", text)
    )


def _broken(line: Line, columns: Sequence[Column]) -> list[list[list[str]]]:
    """Break a line's texts to the widths of their columns, and the line where it is too high."""
    cells = [
        [part for text in texts for part in _wrapped(text, column.width * MM - 2 * PAD)]
        for column, texts in zip(columns, line, strict=False)
    ]
    height = max(map(len, cells), default=0)
    if height <= HIGHEST:
        return [cells]
    return [[c[at : at + HIGHEST] for c in cells] for at in range(0, height, HIGHEST)]


def _wrapped(text: str, width: float) -> list[str]:
    """Return ``text`` in lines no wider than ``width``; a word too long is broken too."""
    text = unicodedata.normalize("NFC", text)
    if len(text) * SIZE <= width or _wide(text) <= width:  # hardly a letter is wider than high
        return [text]
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if _wide(longer) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        line = word
        while len(line) > 1 and _wide(line) > width:
            fits = next(
                n for n in range(len(line) - 1, 0, -1) if n == 1 or _wide(line[:n]) <= width
            )
            at = line.rfind("-", 1, fits) + 1 or fits  # a double name breaks at its hyphen
            lines.append(line[:at])
            line = line[at:]
    return [*lines, line]


def _wide(text: str) -> float:
    widths, usual = _widths()
    return sum([widths.get(letter, usual) for letter in map(ord, text)]) * SIZE / 1000


@cache
def _widths() -> tuple[dict[int, float], float]:
    """Return the letters' widths in thousandths of their size, and that of a missing letter."""
    from reportlab.pdfbase.pdfmetrics import getFont

    face = getFont(FONT).face
    return face.charWidths, face.defaultWidth


def _height(row: Sequence[Sequence[str]]) -> float:
    return max(map(len, row), default=0) * LEAD + 2 * PAD


def _pages(rows: list[list[list[str]]], above: Sequence[str]) -> list[list[list[list[str]]]]:
    """Put lines on pages; a list without any still has a page to say so."""
    room = PAGE[1] - 2 * MARGIN - LEAD - 2 * PAD
    pages: list[list[list[list[str]]]] = [[]]
    left = room - TITLE - PAD - sum(len(_paragraph(text)) for text in above) * LEAD
    for row in rows:
        if _height(row) > left and pages[-1]:
            pages.append([])
            left = room
        pages[-1].append(row)
        left -= _height(row)
    return pages


def _paragraph(text: str) -> list[str]:
    return _wrapped(text, PAGE[0] - 2 * MARGIN)


def _heading(canvas: Any, title: str, above: Sequence[str], y: float) -> float:
    canvas.setFont(BOLD, TITLE)
    y -= TITLE
    canvas.drawString(MARGIN, y + 3, title)
    canvas.setFont(FONT, SIZE)
    for text in above:
        for part in _paragraph(text):
            y -= LEAD
            canvas.drawString(MARGIN, y, part)
    return y - PAD


def _heads(canvas: Any, columns: Sequence[Column], y: float) -> float:
    canvas.setFont(BOLD, HEAD)
    x = MARGIN
    for column in columns:
        canvas.drawString(x + PAD, y - PAD - HEAD, column.head)
        x += column.width * MM
    canvas.setFont(FONT, SIZE)
    return y - LEAD - 2 * PAD


def _table(
    canvas: Any, columns: Sequence[Column], page: Sequence[Sequence[Sequence[str]]], y: float
) -> None:
    """Write the lines of a page, all in one piece of text, and rule them."""
    lefts = [MARGIN + sum(c.width for c in columns[:n]) * MM for n in range(len(columns) + 1)]
    top, rules = y, []
    written = canvas.beginText()
    for row in page:
        for x, texts in zip(lefts, row, strict=False):
            for place, text in enumerate(texts, 1):
                if text:
                    written.setTextOrigin(x + PAD, y - place * LEAD)
                    written.textOut(text)
        y -= _height(row)
        rules.append((MARGIN, y, lefts[-1], y))
    rules += [(x, top, x, y) for x, c in zip(lefts, columns, strict=False) if c.ruled]
    canvas.drawText(written)
    canvas.setLineWidth(0.5)
    canvas.lines(rules)

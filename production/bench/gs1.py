"""Read GS1 element strings: the data in the codes on bottles, boxes and bags.

After the *GS1 General Specifications* (ISO/IEC 15418 refers to the same identifiers):

- an element string is application identifiers (AI) with their data, one after another;
  data of AIs in the table of predefined length ends by itself, all other data ends at
  FNC1 (transmitted as GS, ASCII 29) or at the end (section 7.8);
- the printed form has the AIs in round brackets, which are not part of the data;
- a symbology identifier (ISO/IEC 15424) such as ``]d2`` may come first;
- GTIN and SSCC end with a check digit, weights 3 and 1 from the right (section 7.9);
- dates are YYMMDD; day 00 is the month's last day; the century is the one that makes
  the year lie between 49 years back and 50 years ahead (section 7.12).
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass

GS = "\x1d"
# What keyboard wedges send where the separator cannot be typed.
_SEPARATORS = re.compile(r"\x1d|<GS>|\{GS\}|\[GS\]|<FNC1>|\{FNC1\}|␝", re.IGNORECASE)
_SYMBOLOGY = re.compile(r"^\](C1|e0|d2|Q3|J1)")
_BRACKETS = re.compile(r"\((\d{2,4})\)")
# The 82 characters of the specifications' figure 7.11-1.
_CHARACTERS = re.compile(r"^[!\"%&'()*+,\-./0-9:;<=>?A-Z_a-z]+$")

# Two leading digits → length of AI and data together (figure 7.8.5-2).
PREDEFINED = {"00": 20, "01": 16, "02": 16, "03": 16, "04": 18, "20": 4, "41": 16}
PREDEFINED |= {str(first): 8 for first in range(11, 20)}
PREDEFINED |= {str(first): 10 for first in range(31, 37)}

# Two leading digits → how many digits the AI itself has.
_AI_DIGITS = {f"{n:02d}": 2 for n in (*range(5), *range(10, 23), 30, 37, *range(90, 100))}
_AI_DIGITS |= dict.fromkeys(("23", "24", "25", "40", "41", "42", "71"), 3)
_AI_DIGITS |= {str(n): 4 for n in (*range(31, 37), 39, 43, 70, 72, 80, 81, 82)}

_LONGEST = {"10": 20, "21": 20, "22": 20, "30": 8, "37": 8}
_CHECKED = {"00", "01", "02", "03"}
_DATES = {"11", "12", "13", "15", "16", "17"}


class Gs1Error(ValueError):
    """The code is not a sound element string; the words say where it breaks."""


@dataclass(frozen=True)
class Elements:
    """The AIs of an element string with their data, in order."""

    pairs: tuple[tuple[str, str], ...]

    def get(self, ai: str) -> str | None:
        """Return the data of ``ai``, or None."""
        return next((value for name, value in self.pairs if name == ai), None)

    @property
    def gtin(self) -> str | None:
        """AI (01): the trade item, 14 digits."""
        return self.get("01")

    @property
    def lot(self) -> str | None:
        """AI (10): batch or lot number."""
        return self.get("10")

    @property
    def serial(self) -> str | None:
        """AI (21): serial number."""
        return self.get("21")

    def date(self, ai: str, today: dt.date) -> dt.date | None:
        """Return the date of AI 11, 15 or 17, the century chosen from ``today``."""
        value = self.get(ai)
        return read_date(value, today) if value is not None else None


def check_digit(body: str) -> str:
    """Return the GS1 check digit of a number given without it.

    Examples
    --------
    >>> check_digit("629104150021")
    '3'
    """
    total = sum(int(d) * (3 if i % 2 == 0 else 1) for i, d in enumerate(reversed(body)))
    return str(-total % 10)


def is_gtin(text: str) -> bool:
    """Whether ``text`` is a GTIN of 8, 12, 13 or 14 digits with the right check digit."""
    return (
        text.isascii()
        and text.isdigit()
        and len(text) in {8, 12, 13, 14}
        and check_digit(text[:-1]) == text[-1]
    )


def read_date(value: str, today: dt.date) -> dt.date:
    """Read YYMMDD.

    Raises
    ------
    Gs1Error
        There is no such day.
    """
    if not (value.isascii() and value.isdigit() and len(value) == 6):
        raise Gs1Error(f"“{value}” is not a date of the form YYMMDD.")
    century = today.year - today.year % 100
    year = century + int(value[:2])
    if year - today.year >= 51:
        year -= 100
    elif year - today.year <= -50:
        year += 100
    month, day = int(value[2:4]), int(value[4:])
    if not 1 <= month <= 12:
        raise Gs1Error(f"“{value}” has no month {month}.")
    last = calendar.monthrange(year, month)[1]
    if day > last:
        raise Gs1Error(f"“{value}”: {year}-{month:02d} has no day {day}.")
    return dt.date(year, month, day or last)


def looks_like_gs1(text: str) -> bool:
    """Whether ``text`` should be read as an element string rather than as another code."""
    stripped = text.strip(" \r\n\t")
    if _SYMBOLOGY.match(stripped) or _SEPARATORS.search(stripped):
        return True
    if _BRACKETS.match(stripped):
        return True
    return len(stripped) >= 16 and stripped.startswith("01") and is_gtin(stripped[2:16])


def parse(text: str) -> Elements:
    """Read an element string, as scanned or as printed with brackets.

    Raises
    ------
    Gs1Error
        An unknown AI, data of the wrong length or characters, a wrong check digit, an
        impossible date, or the same AI twice with different data.
    """
    data = _SEPARATORS.sub(GS, _SYMBOLOGY.sub("", text.strip(" \r\n\t")))
    if not data.strip(GS):
        raise Gs1Error("The code is empty.")
    bracketed = _BRACKETS.match(data) is not None
    pairs = _printed(data) if bracketed else _scanned(data)
    found: dict[str, str] = {}
    for ai, value in pairs:
        _sound(ai, value)
        if found.setdefault(ai, value) != value:
            raise Gs1Error(f"AI ({ai}) occurs twice with different data.")
    return Elements(tuple(found.items()))


def _ai_at(data: str, position: int) -> str:
    digits = _AI_DIGITS.get(data[position : position + 2])
    ai = data[position : position + (digits or 2)]
    if digits is None or len(ai) < digits or not ai.isdigit():
        raise Gs1Error(f"“{ai}” at character {position + 1} is not an application identifier.")
    return ai


def _scanned(data: str) -> list[tuple[str, str]]:
    pairs = []
    position = 0
    while position < len(data):
        if data[position] == GS:
            position += 1
            continue
        ai = _ai_at(data, position)
        fixed = PREDEFINED.get(ai[:2])
        if fixed is not None:
            end = position + fixed
            if end > len(data) or GS in data[position:end]:
                raise Gs1Error(f"The data of AI ({ai}) is too short.")
        else:
            end = data.find(GS, position)
            end = len(data) if end < 0 else end
        pairs.append((ai, data[position + len(ai) : end]))
        position = end
    return pairs


def _printed(data: str) -> list[tuple[str, str]]:
    # A bracket may be data of the element before: only known AIs open a new one.
    starts = [m for m in _BRACKETS.finditer(data) if len(m[1]) == _AI_DIGITS.get(m[1][:2])]
    if not starts or starts[0].start() > 0:
        raise Gs1Error("The code does not begin with an application identifier in brackets.")
    ends = [m.start() for m in starts[1:]] + [len(data)]
    return [(m[1], data[m.end() : end].strip(GS)) for m, end in zip(starts, ends, strict=True)]


def _sound(ai: str, value: str) -> None:
    fixed = PREDEFINED.get(ai[:2])
    if fixed is not None and len(value) != fixed - len(ai):
        raise Gs1Error(f"AI ({ai}) needs {fixed - len(ai)} characters, it has {len(value)}.")
    longest = _LONGEST.get(ai, 90)
    if not 1 <= len(value) <= longest:
        raise Gs1Error(f"AI ({ai}) holds 1 to {longest} characters, it has {len(value)}.")
    if not _CHARACTERS.match(value):
        raise Gs1Error(f"AI ({ai}) holds a character that GS1 codes do not have.")
    if fixed is not None and not value.isdigit():
        raise Gs1Error(f"AI ({ai}) holds digits only.")
    if ai in _CHECKED and check_digit(value[:-1]) != value[-1]:
        raise Gs1Error(f"The check digit of AI ({ai}) {value} is wrong: scan it again.")
    if ai in _DATES:
        read_date(value, dt.date(2000 + int(value[:2]), 1, 1))

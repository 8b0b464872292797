"""Find patients by name, chart number or date of birth."""

from __future__ import annotations

import datetime as dt
import re

from clinic.models import Patient
from clinic.names import plain

__all__ = ["find_patients", "read_date"]

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def read_date(text: str) -> dt.date | None:
    """Read a whole date as people type it, or return None.

    Year first (``2009-04-17``, ``20090417``), day first with any separator
    (``17.4.2009``, ``17/04/2009``), or with the month in words (``17 Apr 2009``,
    ``April 17 2009``). Digits alone are never read month first: half of such dates
    would be somebody else's birthday.
    """
    text = text.strip().casefold()
    if match := re.fullmatch(r"(\d{4})[-/. ]?(\d{1,2})[-/. ]?(\d{1,2})", text):
        year, month, day = (int(g) for g in match.groups())
    elif match := re.fullmatch(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4})", text):
        day, month, year = (int(g) for g in match.groups())
    elif match := re.fullmatch(r"(\d{1,2})\.? ([a-z]{3})[a-z]*\.?,? (\d{4})", text):
        day, month, year = int(match[1]), _month(match[2]), int(match[3])
    elif match := re.fullmatch(r"([a-z]{3})[a-z]*\.? (\d{1,2}),? (\d{4})", text):
        day, month, year = int(match[2]), _month(match[1]), int(match[3])
    else:
        return None
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _month(word: str) -> int:
    return _MONTHS.index(word) + 1 if word in _MONTHS else 0


def find_patients(query: str, limit: int = 50) -> tuple[list[Patient], int]:
    """Return the patients that fit ``query``, best first, and how many fit in all.

    A date finds those born on that day. Otherwise every word must begin a name or
    the chart number (``bra ida`` finds Ida Brandt); words inside a name fit too but
    come later. Case and accents do not matter. An empty query lists the newest.

    Two queries, whatever the number of patients.
    """
    query = query.strip()
    if not query:
        newest = Patient.objects.order_by("-created_at", "-pk")
        return list(newest[:limit]), newest.count()
    born = read_date(query)
    if born is not None:
        rows = list(Patient.objects.filter(date_of_birth=born))
        if rows:
            return rows[:limit], len(rows)
    words = plain(query).split()
    if not words:
        return [], 0
    ranked = []
    # Comparing here keeps accents out of it on every database; a few ms per thousand patients.
    for pk, chart, given, family in Patient.objects.order_by().values_list(
        "pk", "chart_number", "given_name", "family_name"
    ):
        rank = _rank(words, query, chart, plain(given), plain(family))
        if rank is not None:
            ranked.append((rank, family, given, pk))
    ranked.sort()
    wanted = [pk for *_, pk in ranked[:limit]]
    by_pk = Patient.objects.in_bulk(wanted)
    return [by_pk[pk] for pk in wanted], len(ranked)


def _rank(words: list[str], query: str, chart: str, given: str, family: str) -> int | None:
    """How good the fit is: 0 exact chart number … 3 somewhere inside; None no fit."""
    number = plain(chart)
    if query.casefold() == chart.casefold():
        return 0
    starts = [*family.split(), *given.split(), number]
    worst = 0
    for word in words:
        if family.startswith(word):
            fit = 1
        elif any(s.startswith(word) for s in starts):
            fit = 2
        elif word in number or word in family or word in given:
            fit = 3
        elif number.startswith("".join(words)):
            fit = 2
        else:
            return None
        worst = max(worst, fit)
    return worst

"""Judge a list of visits, row by row, against the patients and the visits in the book."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping

from clinic.lists import dates
from clinic.lists.columns import Cells, Field
from clinic.lists.found import Found, Moved, Odd, faults, order_asked
from clinic.lists.patients import FIELDS as OF_PATIENTS
from clinic.lists.sheet import Row, Sheet
from clinic.models import Office, Patient, Visit
from clinic.names import plain

FIELDS = (
    OF_PATIENTS[0],
    Field("date", "Date, or date and time", (
        "date", "day", "starts", "start", "starts at", "when", "date and time", "appointment",
        "appointment date", "visit date", "date time",
    )),
    Field("time", "Time", ("time of day", "start time", "at", "appointment time", "hour")),
    Field("kind", "What for", (
        "kind", "type", "visit", "visit type", "appointment type", "reason", "procedure",
        "treatment",
    )),
    Field("note", "Note", ("notes", "remark", "remarks", "comment", "comments")),
)  # fmt: skip
#: Words that are found in what lists call a visit, the most telling first.
_SAYS = (
    (Visit.Kind.DEBOND, ("debond", "deband", "braces off", "removal", "remove")),
    (Visit.Kind.PICKUP, ("pickup", "pick up", "collect", "delivery", "deliver", "insert")),
    (Visit.Kind.ALIGNER, ("aligner",)),
    (Visit.Kind.SCAN, ("scan", "impression", "records")),
    (Visit.Kind.CHECK, ("check", "review", "recall", "observation", "adjust", "control")),
)
LEAVE_OUT = "-"


def guess_kind(text: str) -> str:
    """Return what kind of visit a list's words mean, "" where they say nothing known."""
    said = plain(text)
    return next((str(kind) for kind, words in _SAYS if any(w in said for w in words)), "")


def kinds_said(sheet: Sheet, columns: list[str]) -> list[tuple[str, int]]:
    """Return the list's own words for its visits with how often each is there, most first."""
    cells = Cells(sheet, columns)
    if not cells.has("kind"):
        return []
    return Counter(cells.of(row, "kind") for row in sheet.rows).most_common()


def missing(columns: list[str]) -> list[str]:
    """Say which columns a list of visits must have and this one has not."""
    asks = []
    if "chart_number" not in columns:
        asks.append("Which column is the chart number?")
    if "date" not in columns:
        asks.append("Which column is the date?")
    if "kind" not in columns:
        asks.append("Which column says what the visit is for?")
    return asks


def judge(
    sheet: Sheet,
    columns: list[str],
    order: dates.Order | None,
    office: Office,
    kinds: Mapping[str, str],
) -> Found:
    """Return what of the list would be added or moved, what is here, what is left out and why.

    Two queries. A visit is moved where a patient has one of its kind in the list alone and one
    in the book alone, within the days of the list. ``kinds`` says of the list's words for its
    visits what they are, ``LEAVE_OUT`` for what does not belong here.
    """
    cells = Cells(sheet, columns)
    split = [_split(cells, row) for row in sheet.rows]
    order = order or dates.order_of(day for day, _ in split)
    found = Found(order=order, asks=missing(columns) + order_asked(order))
    if found.asks:
        return found
    today = office.today()
    patients = {p.chart_number.casefold(): p for p in Patient.objects.all()}
    # The zone's midnight may be another day in UTC: a day to spare.
    since = dt.datetime.combine(today - dt.timedelta(days=1), dt.time(), office.zone)
    book = {(v.patient_id, v.starts_at): v for v in _standing(since)}
    matched: set[int] = set()
    times: list[dt.datetime] = []
    for row, (day, clock) in zip(sheet.rows, split, strict=True):
        kind = kinds.get(cells.of(row, "kind"), "")
        if kind == LEAVE_OUT:
            continue
        at, words = _moment(day, clock, order, office, today)
        patient = patients.get(cells.of(row, "chart_number").casefold())
        words = cells.overflow(row) or words
        if not words and kind not in Visit.Kind.values:
            words = f"“{cells.of(row, 'kind')}”: say above what it is"
        elif not words and patient is None:
            number = cells.of(row, "chart_number")
            words = f"nobody here has the chart number {number}" if number else "no chart number"
        if words or patient is None or at is None:
            found.odd.append(Odd(row.line, row.cells, words))
            continue
        times.append(at)
        here = book.get((patient.pk, at))
        if here is not None:
            found.same += 1
            matched.add(here.pk)
            continue
        visit = Visit(patient=patient, kind=kind, starts_at=at, note=cells.of(row, "note"))
        fault = faults(visit)
        if fault:
            found.odd.append(Odd(row.line, row.cells, fault))
            continue
        book[patient.pk, at] = visit
        found.new.append(visit)
    if times:
        days = {t.astimezone(office.zone).date() for t in (min(times), max(times))}
        alone = [
            v
            for v in book.values()
            if v.pk and v.pk not in matched and v.status == Visit.Status.PLANNED
            and min(days) <= v.starts_at.astimezone(office.zone).date() <= max(days)
        ]  # fmt: skip
        _pair(found, alone)
    return found


def _standing(since: dt.datetime) -> list[Visit]:
    gone = (Visit.Status.CANCELLED, Visit.Status.MISSED)
    rows = Visit.objects.filter(starts_at__gte=since).exclude(status__in=gone)
    return list(rows.select_related("patient"))


def _pair(found: Found, alone: list[Visit]) -> None:
    """Take a visit of the list and one in the book for the same, moved, where each is the only."""
    both: dict[tuple[int, str], tuple[list[Visit], list[Visit]]] = {}
    for place, visits in enumerate((found.new, alone)):
        for visit in visits:
            pair = both.setdefault((visit.patient_id, visit.kind), ([], []))
            pair[place].append(visit)
    paired: set[int] = set()
    for new, old in both.values():
        if len(new) == len(old) == 1:
            found.moved.append(Moved(old[0], new[0].starts_at))
            paired |= {id(new[0]), id(old[0])}
    found.new = [visit for visit in found.new if id(visit) not in paired]
    left = [visit for visit in alone if id(visit) not in paired]
    found.absent = sorted(left, key=lambda visit: visit.starts_at)


def _split(cells: Cells, row: Row) -> tuple[str, str]:
    """Return the texts of day and time; a column of times goes before one in the date's cell."""
    day, clock = dates.apart(cells.of(row, "date"))
    return day, cells.of(row, "time") or clock


def _moment(
    day: str, clock: str, order: dates.Order | None, office: Office, today: dt.date
) -> tuple[dt.datetime | None, str]:
    date = dates.read(day, order, today)
    if date is None:
        return None, f"“{day}” is no date" if day else "no date"
    time = dates.read_time(clock)
    if time is None:
        return None, f"“{clock}” is no time of day" if clock else "no time of day"
    if date < today:
        return None, f"{date:%-d %b %Y} is past"
    if date.year > today.year + 3:
        return None, f"{date:%-d %b %Y} is more than three years away"
    at = dt.datetime.combine(date, time, office.zone)
    # An hour that the clock leaves out is read as the moment at which it strikes.
    return at.astimezone(dt.UTC), ""

"""Judge a list of patients, row by row, against those on record."""

from __future__ import annotations

import datetime as dt

from clinic.forms import birthday_fault
from clinic.lists import dates
from clinic.lists.columns import Cells, Field
from clinic.lists.found import Found, Odd, faults, order_asked
from clinic.lists.sheet import Row, Sheet
from clinic.models import Patient
from clinic.names import plain

FIELDS = (
    Field("chart_number", "Chart number", (
        "chart", "chart no", "chart id", "patient number", "patient no", "patient id",
        "record number", "file number", "id", "no", "number",
    )),
    Field("family_name", "Family name", ("last name", "surname", "name last", "lastname")),
    Field("given_name", "Given name", ("first name", "forename", "name first", "firstname")),
    Field("whole_name", "Family name, given name", (
        "name", "patient", "patient name", "full name",
    )),
    Field("date_of_birth", "Date of birth", (
        "birth date", "birthdate", "birthday", "dob", "born", "born on",
    )),
    Field("phone", "Telephone", (
        "phone", "phone number", "mobile", "mobile phone", "cell", "cell phone", "tel",
        "telephone number",
    )),
    Field("allergies", "Allergies", ("allergy",)),
    Field("note", "Note", ("notes", "remark", "remarks", "comment", "comments")),
)  # fmt: skip
Who = tuple[str, str, dt.date]


def missing(columns: list[str]) -> list[str]:
    """Say which columns a list of patients must have and this one has not."""
    asks = []
    if "chart_number" not in columns:
        asks.append("Which column is the chart number?")
    if "whole_name" not in columns and not {"family_name", "given_name"} <= set(columns):
        asks.append("Which columns are the family name and the given name?")
    if "date_of_birth" not in columns:
        asks.append("Which column is the date of birth?")
    return asks


def judge(sheet: Sheet, columns: list[str], order: dates.Order | None, today: dt.date) -> Found:
    """Return what of the list would be added, what is here, what is left out and why.

    Two queries. ``order`` is what the person said, None to go by the dates themselves.
    """
    cells = Cells(sheet, columns)
    births = [dates.apart(cells.of(row, "date_of_birth"))[0] for row in sheet.rows]
    order = order or dates.order_of(births)
    found = Found(order=order, asks=missing(columns) + order_asked(order))
    if found.asks:
        return found
    known = {p.chart_number.casefold(): p for p in Patient.objects.all()}
    people = {_who(p): p for p in known.values()}
    lines: dict[str, int] = {}
    for row, birth in zip(sheet.rows, births, strict=True):
        born = dates.read(birth, order, today, born=True)
        patient = _patient(cells, row, born)
        words = cells.overflow(row) or _unreadable(patient, birth, born, today)
        number = patient.chart_number.casefold()
        here = known.get(number)
        if words:
            pass
        elif number in lines:
            words = f"line {lines[number]} has this chart number too"
        elif here is not None and _who(here) == _who(patient):
            found.same += 1
            lines[number] = row.line
            continue
        elif here is not None:
            words = f"its chart number is that of {here}, born {here.date_of_birth:%-d %b %Y}"
        elif (double := people.get(_who(patient))) is not None:
            words = (
                f"a patient of this name and birthday has the chart number {double.chart_number}: "
                "add by hand if it is somebody else"
            )
        if words:
            found.odd.append(Odd(row.line, row.cells, words))
            continue
        lines[number] = row.line
        people[_who(patient)] = patient
        found.new.append(patient)
    return found


def _patient(cells: Cells, row: Row, born: dt.date | None) -> Patient:
    family, given = cells.of(row, "family_name"), cells.of(row, "given_name")
    if not family and not given:
        family, _, given = (part.strip() for part in cells.of(row, "whole_name").partition(","))
    patient = Patient(
        chart_number=cells.of(row, "chart_number"),
        family_name=family,
        given_name=given,
        phone=cells.of(row, "phone"),
        allergies=cells.of(row, "allergies"),
        note=cells.of(row, "note"),
    )
    if born is not None:
        patient.date_of_birth = born
    return patient


def _unreadable(patient: Patient, birth: str, born: dt.date | None, today: dt.date) -> str:
    if not patient.chart_number:
        return "no chart number"
    if not patient.family_name or not patient.given_name:
        return "no family name or no given name; in one cell a comma stands between them"
    if not birth:
        return "no date of birth"
    if born is None:
        return f"“{birth}” is no date of birth"
    fault = birthday_fault(born, today)
    return f"born {born:%-d %b %Y}: {fault}" if fault else faults(patient)


def _who(patient: Patient) -> Who:
    return plain(patient.family_name), plain(patient.given_name), patient.date_of_birth

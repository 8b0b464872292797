"""The list of everybody who got a lot, with room to note the calls."""

from __future__ import annotations

import math
from collections.abc import Sequence

from clinic.models import Office
from production.documents.contact_sheet import Column, Line, draw, printable
from production.documents.paper import Paper
from production.models import Lot
from production.selectors.office.stock import Piece, Recipient

#: Appliances on one paper, so that it is there within a second.
IN_PART = 2_400
COLUMNS = (
    Column("Patient", 46),
    Column("Born", 23),
    Column("Chart", 18),
    Column("Phone", 28),
    Column("Appliances", 74),
    Column("Reached on", 20, ruled=True),
    Column("Agreed", 38, ruled=True),
    Column("By", 22, ruled=True),
)
ADVICE = (
    "An appliance that no longer holds the lot is named with the reason. Whom to call, and what "
    "to say, is the doctor's decision. Follow local rules for reporting."
)
NO_LETTERS = (
    "Where a chart number stands instead of a name, the name is in letters that this list cannot "
    "print: look it up on the screen."
)


def parts(count: int) -> list[int]:
    """Return the numbers of the parts in which a list of ``count`` appliances is printed."""
    return list(range(1, max(1, math.ceil(count / IN_PART)) + 1))


def build(lot: Lot, everybody: Sequence[Recipient], office: Office, part: int = 1) -> Paper | None:
    """Return one part of the recall list of ``lot`` as a PDF; None when there is no such part.

    Patients come in alphabetical order, each with all their appliances in one part.
    """
    held, people = 0, []
    for person in everybody:
        if held // IN_PART + 1 == part:
            people.append(person)
        held += len(person.rows)
    numbers = parts(held)
    if part not in numbers:
        return None
    title = f"Recall list: {lot.material}, lot {lot.number}"
    size = f"{_count(len(everybody), 'patient')}, {_count(held, 'appliance')}"
    of = f" · part {part} of {len(numbers)}" if len(numbers) > 1 else ""
    whole = all(printable(str(person.patient)) for person in people)
    notes = [ADVICE] if whole else [ADVICE, NO_LETTERS]
    return Paper(
        f"lot-{lot.pk}.pdf" if len(numbers) == 1 else f"lot-{lot.pk}-part-{part}.pdf",
        draw(title, [f"{office.name} · {size}{of}", *notes], COLUMNS, map(_line, people)),
    )


def _line(person: Recipient) -> Line:
    patient = person.patient
    born = f"{patient.date_of_birth.day} {patient.date_of_birth:%b %Y}"
    pieces = [_piece(piece) for piece in person.pieces]
    name = str(patient) if printable(str(patient)) else f"Chart {patient.chart_number}"
    return [name], [born], [patient.chart_number], [patient.phone], pieces


def _piece(piece: Piece) -> str:
    out = piece.handed_over
    left = f" {out.day} {out:%b %Y}" if out else ""
    gone = "" if piece.holds_it else f" ({piece.fate})"
    return f"{piece.code} {piece.arch} {piece.kind.lower()}, {piece.status.lower()}{left}{gone}"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"

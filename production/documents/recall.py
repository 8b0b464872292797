"""The list of everybody who got a lot, with room to note the calls."""

from __future__ import annotations

import math
from collections.abc import Sequence

from clinic.models import Office
from production.documents.paper import Paper, make_paper
from production.models import Lot
from production.selectors.stock import Recipient

#: Appliances on one paper: a minute's worth of typesetting would keep a page waiting.
IN_PART = 500


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
    return make_paper(
        f"lot-{lot.pk}.pdf" if len(numbers) == 1 else f"lot-{lot.pk}-part-{part}.pdf",
        "documents/recall.html",
        {
            "lot": lot,
            "people": people,
            "patients": len(everybody),
            "appliances": held,
            "part": part,
            "parts": len(numbers),
            "office": office,
        },
    )

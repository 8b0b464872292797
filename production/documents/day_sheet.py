"""The day sheet: visits and promised pickups of one day, for the wall. A4."""

from __future__ import annotations

from clinic.models import Office
from production.documents.paper import Paper, make_paper
from production.selectors.desk.today import Today

__all__ = ["build"]


def build(page: Today, office: Office) -> Paper:
    """Return the sheet of a day as it stood at ``page.now``."""
    name = f"day-{page.day:%Y-%m-%d}.pdf"
    return make_paper(name, "documents/day_sheet.html", {"page": page, "office": office})

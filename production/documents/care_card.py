"""The care card: how to wear and clean it, in plain words and large print. A4."""

from __future__ import annotations

from production.documents.paper import Paper, make_paper
from production.documents.pieces import Piece

__all__ = ["build", "rules"]


def rules(text: str) -> list[tuple[str, str]]:
    """Split the office's wording into (heading, rule), one a line; “Heat: no hot water.”

    A line without a colon has no heading.
    """
    found = []
    for line in text.splitlines():
        head, colon, rule = line.strip().partition(":")
        if not head:
            continue
        found.append((head.strip(), rule.strip()) if colon else ("", head))
    return found


def build(piece: Piece) -> Paper:
    """Return the care card that goes home with one appliance."""
    name = f"care-{piece.appliance.code}.pdf"
    context = piece.context(rules=rules(piece.office.care_card))
    return make_paper(name, "documents/care_card.html", context)

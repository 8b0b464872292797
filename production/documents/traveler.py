"""The traveler: the paper that goes with an appliance along the bench. A5."""

from __future__ import annotations

from production.documents.paper import Paper, make_paper
from production.documents.pieces import Piece
from production.seed import FOLLOW

__all__ = ["build"]


def build(piece: Piece) -> Paper:
    """Return the traveler of one appliance."""
    name = f"traveler-{piece.appliance.code}.pdf"
    context = piece.context(follow=FOLLOW)
    return make_paper(name, "documents/traveler.html", context, one_page=True)

"""The label of the bag, 62 × 100 mm: two identifiers, the code, what it is."""

from __future__ import annotations

from production.documents.paper import Paper, make_paper
from production.documents.pieces import Piece

__all__ = ["build"]


def build(piece: Piece) -> Paper:
    """Return the bag label of one appliance."""
    name = f"label-{piece.appliance.code}.pdf"
    return make_paper(name, "documents/bag_label.html", piece.context(), one_page=True)

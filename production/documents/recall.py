"""The list of everybody who got a lot, with room to note the calls."""

from __future__ import annotations

from clinic.models import Office
from production.documents.paper import Paper, make_paper
from production.models import Appliance, Lot


def build(lot: Lot, appliances: list[Appliance], office: Office) -> Paper:
    """Return the recall list of ``lot`` as a PDF, patients in alphabetical order."""
    return make_paper(
        f"lot-{lot.pk}.pdf",
        "documents/recall.html",
        {"lot": lot, "appliances": appliances, "office": office},
    )

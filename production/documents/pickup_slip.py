"""The pickup slip: when to come back, whom to ring. A6."""

from __future__ import annotations

from clinic.models import Office
from production.documents.paper import Paper, make_paper
from production.selectors.desk.order import OrderPage

__all__ = ["build"]


def build(page: OrderPage, office: Office) -> Paper:
    """Return the slip of an order that has a standing promise.

    Raises
    ------
    ValueError
        No time is agreed.
    """
    if page.standing is None:
        raise ValueError("this order has no agreed pickup time yet")
    context = {
        "page": page,
        "promise": page.standing.promise,
        "patient": page.order.patient,
        "office": office,
    }
    name = f"pickup-{str(page.order.uuid)[:8]}.pdf"
    return make_paper(name, "documents/pickup_slip.html", context, one_page=True)

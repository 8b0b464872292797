"""What a failure does to the pickup time, said at once to the person who recorded it."""

from __future__ import annotations

import logging

from clinic.templatetags.show import clock, percent
from production.models import Order, Promise

log = logging.getLogger(__name__)


def promise_words(order: Order) -> str:
    """Quote the order again and say whether its promise can still be kept; empty without one.

    The failure is on record whatever comes of the quote, so a quote that cannot be made
    says so instead of hiding what was done.
    """
    from production.scheduling import requote

    promise = Promise.objects.filter(order=order, superseded_at=None).first()
    if promise is None:
        return "Nothing is promised for it yet."
    try:
        offer = requote(order)
    except Exception:
        log.exception("order %s could not be quoted again", order.pk)
        return "The promise could not be weighed again here; the next plan will."
    if offer.earliest is None:
        return f"Promised {clock(promise.due_at)}. {offer.reason}"
    if offer.earliest <= promise.due_at:
        return f"The promise of {clock(promise.due_at)} can still be kept."
    return (
        f"Promised {clock(promise.due_at)}; as things stand {clock(offer.earliest)} can be kept "
        f"({percent(offer.p_kept)}). The front desk sees it on Today."
    )

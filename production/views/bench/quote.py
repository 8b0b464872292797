"""What a failure does to pickup times, said at once to the person who recorded it."""

from __future__ import annotations

import logging
from collections.abc import Collection

from clinic.templatetags.show import clock, percent
from production.models import Appliance, Promise
from production.scheduling.reweighing import Weighed, weigh

log = logging.getLogger(__name__)

SHOWN = 8


def promise_words(failed: Collection[Appliance]) -> str:
    """Weigh the promises of what failed again and say which can still be kept.

    The failure is on record whatever comes of it, so promises that cannot be weighed are
    said to be so instead of hiding what was done. Appliances need their ``order``.
    """
    orders = {appliance.order_id: appliance.order for appliance in failed}
    codes = {pk: ", ".join(sorted(a.code for a in failed if a.order_id == pk)) for pk in orders}
    try:
        weighed = weigh(list(orders.values()))
    except Exception:
        log.exception("orders %s could not be weighed again", sorted(orders))
        return "The promises could not be weighed again here; the next plan will."
    if not weighed:
        return "Nothing is promised for it yet." if len(failed) == 1 else "Nothing is promised yet."
    named = len(orders) > 1
    said = [
        (f"{codes[w.promise.order_id]}: " if named else "") + _words(w) for w in weighed[:SHOWN]
    ]
    if len(weighed) > SHOWN:
        said.append(f"{len(weighed) - SHOWN} more promises are weighed by the next plan.")
    if not all(w.holds for w in weighed):
        said.append("The front desk sees it on Today.")
    return " ".join(said)


def _words(weighed: Weighed) -> str:
    promise: Promise = weighed.promise
    due, offer = clock(promise.due_at), weighed.offer
    if weighed.holds:
        return f"the promise of {due} can still be kept."
    if offer is None or offer.earliest is None:
        likely = "" if weighed.p_kept is None else f", kept with {percent(weighed.p_kept)} as it is"
        other = "" if offer is None else " No other time is safe as things stand."
        return f"promised {due}{likely}.{other}"
    if offer.earliest <= promise.due_at:
        return f"the promise of {due} can still be kept."
    return (
        f"promised {due}; as things stand {clock(offer.earliest)} can be kept "
        f"({percent(offer.p_kept)})."
    )

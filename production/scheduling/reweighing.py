"""What a failure does to pickup times: every promise that it touches, weighed at once."""

from __future__ import annotations

import time
from collections.abc import Collection
from dataclasses import dataclass

from clinic.models import Office
from production.models import Order, Promise
from production.scheduling.quoting import Offer, requote
from production.scheduling.state import read_situation

__all__ = ["Weighed", "weigh"]

FUTURES = 1000
#: A hand waits for the answer: promises after this many seconds are told by likelihood alone.
PATIENCE = 1.5


@dataclass(frozen=True)
class Weighed:
    """A promise as things stand now.

    ``holds``: it is still kept with the confidence the office asks for. ``p_kept`` is None
    when nothing of the order is being made. ``offer`` is the order's new quote, for a promise
    that does not hold and while the person can wait for it.
    """

    promise: Promise
    holds: bool
    p_kept: float | None
    offer: Offer | None = None


def weigh(orders: Collection[Order]) -> list[Weighed]:
    """Weigh the standing promises of ``orders``, the first due first.

    One look into the future of the whole bench tells which of them still hold; only the
    others are quoted again, as many as a person can wait for.
    """
    from production import planning

    promises = list(
        Promise.objects.filter(order__in=orders, superseded_at=None)
        .select_related("order")
        .order_by("due_at")
    )
    if not promises:
        return []
    began = time.monotonic()
    situation = read_situation()
    seen = planning.foresee(planning.parse_problem(situation.problem), samples=FUTURES)
    late = {str(g["id"]): g["p_late"] for g in seen["groups"]}
    confidence = Office.get().confidence
    weighed = []
    for promise in promises:
        missed = late.get(str(promise.order_id))
        p_kept = None if missed is None else 1.0 - missed
        holds = p_kept is not None and p_kept >= confidence
        wait = time.monotonic() - began < PATIENCE
        offer = None if holds or not wait else requote(promise.order, situation=situation)
        weighed.append(Weighed(promise, holds, p_kept, offer))
    return weighed

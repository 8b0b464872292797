"""Agree on a pickup time, and say whether it was kept.

A promise is *kept* when every appliance of its order was ready for pickup by the
agreed time; it is *broken* when the last one became ready later. Appliances that
were cancelled do not count; one that was replaced by a remake counts as ready when
it was ready itself, since the remake has an order and a promise of its own. Whether
the patient came in time does not change the promise: ``handed_over_at`` is noted
beside it. A promise that was superseded keeps no verdict.
"""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.models import record as audit
from clinic.permissions import require
from production import work
from production.actions.errors import Refused
from production.models import Appliance, DaySummary, Order, Promise


def agree_promise(
    user: User,
    order: Order,
    due_at: dt.datetime,
    *,
    p_kept: float | None = None,
    reason: str = "",
    key: str,
    at: dt.datetime | None = None,
) -> Promise:
    """Make ``due_at`` the order's promise; an earlier one stays on record as superseded.

    Raises
    ------
    Refused
        The time is past, or the order is cancelled.
    """
    require(user, "book")
    with transaction.atomic():
        earlier = Promise.objects.filter(key=key).first()
        if earlier:
            return earlier
        Order.objects.select_for_update().get(pk=order.pk)
        when = at or timezone.now()
        if due_at <= when:
            raise Refused("That pickup time is past; choose a later one.")
        if order.cancelled_at:
            raise Refused("The order is cancelled; open a new one.")
        recount(order.pk)
        Promise.objects.filter(order=order, superseded_at=None).update(superseded_at=when)
        promise = Promise.objects.create(
            order=order,
            due_at=due_at,
            agreed_at=when,
            agreed_by=user,
            p_kept_at_agreement=p_kept,
            reason=reason[:200],
            key=key,
        )
        audit(user, "promise.agree", order, due_at=due_at.isoformat())
        settle(order.pk)
        work.ask("plan", coalesce=True)
        return promise


def settle(order_id: int) -> None:
    """Write what is known of the order's standing promise: ready, handed over, kept."""
    promise = Promise.objects.filter(order_id=order_id, superseded_at=None).first()
    if promise is None:
        return
    before = promise.kept
    counted = [
        (status, ready, delivered)
        for status, ready, delivered in Appliance.objects.filter(order_id=order_id).values_list(
            "status", "ready_at", "delivered_at"
        )
        if status != Appliance.Status.CANCELLED
    ]
    ready = [r for _, r, _ in counted]
    done = Appliance.Status.DELIVERED, Appliance.Status.REMADE
    handed = [d for status, _, d in counted if status in done]
    promise.ready_at = max(r for r in ready if r) if counted and all(ready) else None
    promise.handed_over_at = (
        max((d for d in handed if d), default=None)
        if counted and len(handed) == len(counted)
        else None
    )
    promise.kept = promise.ready_at <= promise.due_at if promise.ready_at else None
    # An overdue one counts as broken already; anything else is news about a day gone by.
    if bool(promise.kept) != bool(before):
        DaySummary.forget(promise.due_at)
    promise.save(update_fields=["ready_at", "handed_over_at", "kept"])


def recount(order_id: int) -> None:
    """Let the day of the order's standing promise be counted anew for the review."""
    for promise in Promise.objects.filter(order_id=order_id, superseded_at=None):
        DaySummary.forget(promise.due_at)

"""The desk's own changes: book an order with its pickup time, move the time, tell the patient."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.models import record as audit
from clinic.permissions import require
from production.actions.desk.opening import open_order
from production.actions.desk.promising import agree_promise
from production.actions.errors import Refused
from production.actions.plan.wishing import keep_back
from production.models import Order, Promise
from production.models.bench import OPEN_STATUSES

__all__ = ["book_pickup", "move_promise", "patient_told"]


def book_pickup(
    user: User,
    *,
    due_at: dt.datetime,
    p_kept: float | None,
    hold_until: dt.datetime | None = None,
    key: str,
    **order: Any,
) -> Promise:
    """Open an order and agree on its pickup time: both, or neither.

    Parameters
    ----------
    due_at
        The time agreed with the patient, who is there: it counts as told.
    p_kept
        The probability that was shown when it was agreed, 0–1.
    hold_until
        Until when the bench leaves the order alone, if the time rests on that.
    key
        Idempotency key; the same request again returns the same promise.
    **order
        What ``open_order`` takes: patient, kind, arches, visit, sheet …

    Raises
    ------
    Refused
        The time is past, or the order cannot be opened.
    """
    with transaction.atomic():
        made = open_order(user, key=key, **order)
        promise = agree_promise(user, made, due_at, p_kept=p_kept, key=f"{key}:promise")
        if promise.told_at is None:
            _told(promise)
            keep_back(user, made, hold_until)
        return promise


def move_promise(
    user: User,
    order: Order,
    due_at: dt.datetime,
    *,
    reason: str,
    told: bool,
    p_kept: float | None = None,
    hold_until: dt.datetime | None = None,
    key: str,
) -> Promise:
    """Agree on another time for an order; the old time stays on record.

    With ``hold_until`` the bench leaves the order alone until then. A first time, such as
    of a remake, needs no reason.

    Raises
    ------
    Refused
        No reason for a change, a time that is past, or an order that is over.
    """
    reason = reason.strip()
    if len(reason) < 3 and order.promises.exists():
        raise Refused("Write why the time changes; the doctor sees it in the review.")
    if not order.appliances.filter(status__in=OPEN_STATUSES).exists():
        raise Refused("Everything of this order is handed over or cancelled; nothing to move.")
    with transaction.atomic():
        again = Promise.objects.filter(key=key).exists()
        promise = agree_promise(user, order, due_at, p_kept=p_kept, reason=reason, key=key)
        if not again:
            keep_back(user, order, hold_until)
        if told and promise.told_at is None:
            _told(promise)
        return promise


def patient_told(user: User, promise: Promise) -> None:
    """Note that the patient has heard of a promise's time. Safe to repeat."""
    require(user, "book")
    with transaction.atomic():
        changed = Promise.objects.filter(pk=promise.pk, told_at=None).update(told_at=timezone.now())
        if changed:
            audit(user, "promise.told", promise)


def _told(promise: Promise) -> None:
    promise.told_at = timezone.now()
    promise.save(update_fields=["told_at"])

"""Cancel an order, or one appliance of it."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.models import record as audit
from clinic.permissions import require
from production.actions.bench.loading import IN_A_RUN, leave, run_of
from production.actions.desk.promising import recount
from production.actions.errors import Refused
from production.actions.recording import find, record
from production.models import Appliance, Load, LoadItem, Order, StageEvent
from production.models.bench import OPEN_STATUSES


def cancel(
    user: User,
    appliance: Appliance,
    *,
    note: str,
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> StageEvent:
    """Give up an open appliance, with a reason; the order is cancelled with its last one."""
    require(user, "order")
    if not note.strip():
        raise Refused("Say why it is cancelled.")
    with transaction.atomic():
        earlier = find(key)
        if earlier:
            return earlier
        load = run_of(appliance) if appliance.status in IN_A_RUN else None
        event = record(
            user, appliance, StageEvent.Action.CANCEL, key=key, seen=seen, at=at, note=note[:300]
        )
        LoadItem.objects.filter(appliance=appliance, load__status=Load.Status.FILLING).delete()
        if load is not None:
            leave(load, appliance, Load.Status.CANCELLED, event.at)
        rest = Appliance.objects.filter(order_id=appliance.order_id)
        if not rest.exclude(status=Appliance.Status.CANCELLED).exists():
            Order.objects.filter(pk=appliance.order_id, cancelled_at=None).update(
                cancelled_at=at or timezone.now()
            )
            recount(appliance.order_id)
        return event


def cancel_order(
    user: User, order: Order, *, note: str, key: str, at: dt.datetime | None = None
) -> Order:
    """Cancel every appliance of the order that is still open; delivered ones stay."""
    require(user, "order")
    with transaction.atomic():
        appliances = order.appliances.filter(status__in=OPEN_STATUSES).order_by("code")
        for appliance in appliances:
            cancel(user, appliance, note=note, key=f"{key}:{appliance.code}", at=at)
        audit(user, "order.cancel", order)
        order.refresh_from_db()
        return order

"""Order needed aligner steps ahead of the visit that hands them over."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db import transaction

from clinic.models import User
from clinic.permissions import may, require
from production.actions.chair.prepare_model import prepare_moved
from production.actions.desk.opening import open_order
from production.actions.desk.promising import agree_promise
from production.actions.errors import Refused
from production.models import ApplianceKind, Order, SeriesStep


def make_ahead(
    user: User, steps: Sequence[tuple[SeriesStep, dt.datetime]], *, key: str
) -> list[Order]:
    """Open one order per series for the steps given, due when the first of them is needed.

    Raises
    ------
    Refused
        Nothing was chosen, or the office makes no aligners.
    """
    if not may(user, "bench"):
        require(user, "order")
    if not steps:
        raise Refused("Choose at least one step.")
    kind = ApplianceKind.objects.filter(code="aligner", active=True).first()
    if kind is None:
        raise Refused("The office has no appliance kind for aligners; the manager can add it.")
    by_series: dict[int, list[tuple[SeriesStep, dt.datetime]]] = {}
    for step, by in steps:
        by_series.setdefault(step.series_id, []).append((step, by))
    orders = []
    with transaction.atomic():
        for pk, chosen in by_series.items():
            series = chosen[0][0].series
            order = open_order(
                user,
                series.patient,
                kind,
                [],
                steps=[step for step, _ in chosen],
                purpose=Order.Purpose.MAKE_AHEAD,
                key=f"{key}:{pk}",
            )
            agree_promise(user, order, min(by for _, by in chosen), key=f"{key}:{pk}:promise")
            if may(user, "bench"):  # otherwise the technician asks for the models
                made = order.appliances.select_related("order__sheet", "step__file", "stage")
                prepare_moved(user, made)
            orders.append(order)
    return orders

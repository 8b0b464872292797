"""One patient's page: visits, scans, orders, appliances, promises, series."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Count, Max, Prefetch, Q
from django.utils import timezone

from clinic.models import Office, Patient, Visit
from production.models import Appliance, Order, Promise, Scan, Series
from production.selectors.desk.promises import GONE, PromiseRow, describe, promise_row

__all__ = ["OrderRow", "PatientPage", "patient_page"]

VISITS_SHOWN = 30
SCANS_SHOWN = 20
ORDERS_SHOWN = 40


@dataclass(frozen=True)
class OrderRow:
    """An order with its pieces and its standing promise."""

    order: Order
    pieces: list[Appliance]
    promise: PromiseRow | None

    @property
    def what(self) -> str:
        """The pieces in few words."""
        return describe(self.order.kind.name, self.pieces)

    @property
    def open(self) -> bool:
        """Whether something of it is still to be made or handed over."""
        return self.order.cancelled_at is None and any(p.open for p in self.pieces)


@dataclass(frozen=True)
class PatientPage:
    """Everything the page shows."""

    patient: Patient
    ahead: list[Visit]
    past: list[Visit]
    scans: list[Scan]
    orders: list[OrderRow]
    series: list[Series]

    @property
    def open_orders(self) -> list[OrderRow]:
        """Orders with something still to do."""
        return [o for o in self.orders if o.open]

    @property
    def old_orders(self) -> list[OrderRow]:
        """Orders that are over."""
        return [o for o in self.orders if not o.open]


def patient_page(patient: Patient, office: Office, now: dt.datetime | None = None) -> PatientPage:
    """Collect the page: seven queries, whatever the patient's history."""
    now = now or timezone.now()
    visits = list(patient.visits.order_by("-starts_at")[:VISITS_SHOWN])
    waiting = (Visit.Status.PLANNED, Visit.Status.ARRIVED, Visit.Status.IN_CHAIR)
    return PatientPage(
        patient=patient,
        ahead=[v for v in reversed(visits) if v.status in waiting],
        past=[v for v in visits if v.status not in waiting],
        scans=list(
            patient.scans.select_related("replaced_by")
            .prefetch_related("acceptances__doctor")
            .order_by("-uploaded_at")[:SCANS_SHOWN]
        ),
        orders=orders_of(patient, office, now),
        series=list(
            Series.objects.filter(patient=patient)
            .annotate(
                made=Count(
                    "orders__appliances",
                    filter=~Q(orders__appliances__status__in=GONE),
                    distinct=True,
                ),
                handed_over=Count(
                    "orders__appliances",
                    filter=Q(orders__appliances__status=Appliance.Status.DELIVERED),
                    distinct=True,
                ),
                last_step=Max(
                    "orders__appliances__step__number",
                    filter=Q(orders__appliances__status=Appliance.Status.DELIVERED),
                ),
            )
            .order_by("-started_on")
        ),
    )


def orders_of(patient: Patient, office: Office, now: dt.datetime) -> list[OrderRow]:
    """Return the patient's orders, the newest first: three queries."""
    pieces = (
        Appliance.objects.exclude(status__in=GONE)
        .select_related("stage", "step", "remake_cause")
        .order_by("arch", "pk")
    )
    orders = (
        patient.orders.select_related("kind", "sheet", "prescriber", "patient")
        .prefetch_related(
            Prefetch("appliances", queryset=pieces, to_attr="pieces"),
            Prefetch("promises", queryset=Promise.objects.order_by("-pk"), to_attr="times"),
        )
        .order_by("-created_at")[:ORDERS_SHOWN]
    )
    return [_order_row(order, office, now) for order in orders]


def _order_row(order: Order, office: Office, now: dt.datetime) -> OrderRow:
    times: list[Promise] = order.times  # type: ignore[attr-defined]
    standing = next((t for t in times if t.superseded_at is None), None)
    row = None
    if standing is not None:
        # The row reads the pieces from the promise's order: hand it the one we have.
        standing.order = order
        row = promise_row(standing, office, now, moved=len(times) > 1)
    return OrderRow(order, order.pieces, row)  # type: ignore[attr-defined]

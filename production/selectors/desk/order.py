"""One order's page: what was prescribed, its pieces, every time that was promised."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from django.db.models import Prefetch
from django.utils import timezone

from clinic.models import Office
from production.models import Appliance, FormerPrescription, Order, Promise, StageEvent
from production.selectors.desk.promises import GONE, PromiseRow, describe, promise_row

__all__ = ["OrderPage", "load_order", "order_page"]


@dataclass(frozen=True)
class OrderPage:
    """Everything the page shows."""

    order: Order
    pieces: list[Appliance]
    gone: list[Appliance]
    standing: PromiseRow | None
    times: list[Promise]
    former: list[FormerPrescription]

    @property
    def what(self) -> str:
        """The pieces in few words."""
        return describe(self.order.kind.name, self.pieces or self.gone)

    @property
    def open(self) -> bool:
        """Whether something is still to be made or handed over."""
        return self.order.cancelled_at is None and any(p.open for p in self.pieces)

    @property
    def cancellation(self) -> StageEvent | None:
        """Who cancelled it and why, of an order that was; one query."""
        return (
            StageEvent.objects.filter(
                appliance__order=self.order, action=StageEvent.Action.CANCEL, undone_by=None
            )
            .select_related("by")
            .order_by("-pk")
            .first()
        )


def load_order(number: uuid.UUID | str) -> Order | None:
    """Return the order of that uuid with everything its pages and papers read."""
    pieces = Appliance.objects.select_related(
        "stage", "step", "remake_of", "remake_cause", "kind"
    ).order_by("arch", "pk")
    return (
        Order.objects.filter(uuid=number)
        .select_related("patient", "kind", "sheet", "prescriber", "visit", "created_by", "series")
        .prefetch_related(
            Prefetch("appliances", queryset=pieces, to_attr="all_pieces"),
            Prefetch(
                "promises",
                queryset=Promise.objects.select_related("agreed_by").order_by("-pk"),
                to_attr="times",
            ),
            Prefetch(
                "former",
                queryset=FormerPrescription.objects.select_related(
                    "sheet", "prescriber", "changed_by"
                ),
                to_attr="former_ones",
            ),
        )
        .first()
    )


def order_page(order: Order, office: Office, now: dt.datetime | None = None) -> OrderPage:
    """Arrange a loaded order for its page. No further query."""
    now = now or timezone.now()
    everything: list[Appliance] = order.all_pieces  # type: ignore[attr-defined]
    times: list[Promise] = order.times  # type: ignore[attr-defined]
    pieces = [p for p in everything if p.status not in GONE]
    order.pieces = pieces  # type: ignore[attr-defined]
    standing = next((t for t in times if t.superseded_at is None), None)
    row = None
    if standing is not None and order.cancelled_at is None:
        standing.order = order
        row = promise_row(standing, office, now, moved=len(times) > 1)
    return OrderPage(
        order=order,
        pieces=pieces,
        gone=[p for p in everything if p.status in GONE],
        standing=row,
        times=times,
        former=order.former_ones,  # type: ignore[attr-defined]
    )

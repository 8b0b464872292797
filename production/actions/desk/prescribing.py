"""Change what an order asks for while it is made: sheet, characteristics, who prescribed it."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.models import record as audit
from clinic.permissions import require
from production import work
from production.actions.errors import Refused
from production.models import Appliance, FormerPrescription, LotUse, Material, Order, StageEvent
from production.models.bench import OPEN_STATUSES


def change_prescription(
    user: User,
    order: Order,
    *,
    sheet: Material | None,
    characteristics: str,
    prescriber: User | None,
    reason: str,
    seen: int,
) -> bool:
    """Keep what was asked for before, and ask for this from now on; True when something changed.

    Parameters
    ----------
    seen : int
        How often it had been changed when the person looked at it.

    Raises
    ------
    Refused
        Nothing of the order is open, it is formed in another sheet already, or somebody else
        has changed it meanwhile. Nothing is changed then.
    """
    require(user, "order")
    characteristics = characteristics.strip()
    with transaction.atomic():
        row = Order.objects.select_for_update(of=("self",)).get(pk=order.pk)
        same = (row.sheet, row.characteristics, row.prescriber) == (
            sheet, characteristics, prescriber,
        )  # fmt: skip
        if same:
            return False
        if row.former.count() != seen:
            raise Refused("Somebody has changed it meanwhile: look at it as it is now.")
        pieces = list(row.appliances.filter(status__in=OPEN_STATUSES).order_by("code"))
        if row.cancelled_at is not None or not pieces:
            raise Refused(
                "Nothing of this order is being made any more. Make it again with what is "
                "prescribed now."
            )
        if sheet is not None and sheet != row.sheet:
            _refuse_another_sheet(pieces, sheet)
        FormerPrescription.objects.create(
            order=row,
            sheet=row.sheet,
            characteristics=row.characteristics,
            prescriber=row.prescriber,
            until=timezone.now(),
            changed_by=user,
            reason=reason.strip()[:200],
        )
        Order.objects.filter(pk=row.pk).update(
            sheet=sheet, characteristics=characteristics, prescriber=prescriber
        )
        audit(user, "order.prescription changed", row)
        work.ask("plan", coalesce=True)
    order.refresh_from_db()
    return True


def _refuse_another_sheet(pieces: list[Appliance], sheet: Material) -> None:
    """Refuse where a piece is formed in something else: the record would contradict it."""
    formed = {}
    for use in (
        LotUse.objects.filter(
            appliance__in=pieces,
            lot__material__kind=Material.Kind.SHEET,
            event__action=StageEvent.Action.START,
            event__undone_by=None,
        )
        .select_related("lot__material", "appliance", "event__stage")
        .order_by("pk")
    ):
        formed[use.appliance] = use
    others = []
    for piece, use in formed.items():
        # Sent back before the forming, it is formed anew.
        here, there = piece.stage, use.event.stage
        ahead = here is not None and there is not None and here.position < there.position
        waits = here == there and piece.status == Appliance.Status.WAITING
        if not ahead and not waits and use.lot.material != sheet:
            others.append(f"{piece.code} in {use.lot.material}")
    if others:
        raise Refused(
            f"Formed already: {', '.join(others)}. Record a failure that asks for a new sheet "
            "first, or leave the sheet as it is."
        )

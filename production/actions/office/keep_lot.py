"""Take in a lot, mark it used up, withdraw it."""

from __future__ import annotations

import datetime as dt

from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic.models import User, record
from clinic.permissions import require
from production.actions.errors import Refused
from production.models import Lot, Material


def receive_lot(
    user: User,
    material: Material,
    number: str,
    *,
    quantity: float,
    expires_on: dt.date | None = None,
    received_on: dt.date | None = None,
) -> Lot:
    """Put a new lot on record.

    Raises
    ------
    Refused
        The number is missing or known already.
    """
    require(user, "stock")
    number = number.strip()
    if not number:
        raise Refused("Give the lot number printed on the package.")
    try:
        with transaction.atomic():
            lot = Lot.objects.create(
                material=material,
                number=number,
                quantity=max(quantity, 0.0),
                expires_on=expires_on,
                received_on=received_on,
            )
            record(user, "lot received", lot, number=number)
            return lot
    except IntegrityError:
        raise Refused(f"Lot {number} of {material} is on record already.") from None


@transaction.atomic
def close_lot(user: User, lot: Lot) -> Lot:
    """Mark a lot as used up. Safe to repeat."""
    require(user, "stock")
    if lot.closed_at is None:
        lot.closed_at = timezone.now()
        lot.save(update_fields=["closed_at"])
        record(user, "lot closed", lot)
    return lot


@transaction.atomic
def reopen_lot(user: User, lot: Lot) -> Lot:
    """Take back that a lot is used up: the bench may go on with it. Safe to repeat."""
    require(user, "stock")
    if lot.closed_at is not None:
        lot.closed_at = None
        lot.save(update_fields=["closed_at"])
        record(user, "lot reopened", lot)
    return lot


@transaction.atomic
def withdraw_lot(user: User, lot: Lot, reason: str) -> Lot:
    """Withdraw a lot: the bench refuses it from now on. Safe to repeat.

    Raises
    ------
    Refused
        No reason given.
    """
    require(user, "stock")
    return _set_withdrawn(user, lot, True, reason, "Write why the lot is withdrawn.")


@transaction.atomic
def reinstate_lot(user: User, lot: Lot, reason: str) -> Lot:
    """Put a withdrawn lot back into use: the maker cleared it, or it was the wrong one.

    A doctor or the manager decides it. Safe to repeat.

    Raises
    ------
    Refused
        No reason given.
    """
    require(user, "reinstate_lots")
    return _set_withdrawn(user, lot, False, reason, "Write why the lot may be used again.")


def _set_withdrawn(user: User, lot: Lot, withdrawn: bool, reason: str, ask: str) -> Lot:
    if len(reason.strip()) < 4:
        raise Refused(ask)
    if Lot.objects.filter(pk=lot.pk, withdrawn=not withdrawn).update(withdrawn=withdrawn):
        what = "lot withdrawn" if withdrawn else "lot reinstated"
        record(user, what, lot, reason=reason.strip())
    lot.refresh_from_db()
    return lot

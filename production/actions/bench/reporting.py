"""Trouble with the fit after the hand-over: on record, leading back to scan, model and lots."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db import transaction

from clinic.models import User
from clinic.permissions import require
from production.actions.errors import Refused
from production.actions.recording import find, record
from production.models import Appliance, Photo, RemakeCause, StageEvent, StoredFile


def report_trouble(
    user: User,
    appliance: Appliance,
    *,
    cause: RemakeCause,
    note: str = "",
    photos: Sequence[StoredFile] = (),
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> StageEvent:
    """Record that a delivered appliance gives trouble. To make it again, use ``remake``."""
    require(user, "hand_over")
    with transaction.atomic():
        earlier = find(key)
        if earlier:
            return earlier
        current = Appliance.objects.values_list("status", flat=True).get(pk=appliance.pk)
        if current != Appliance.Status.DELIVERED:
            raise Refused("It is not with the patient; record a failure at the bench instead.")
        event = record(
            user,
            appliance,
            StageEvent.Action.TROUBLE,
            key=key,
            seen=seen,
            at=at,
            cause=cause,
            note=note[:300],
        )
        Photo.objects.bulk_create(Photo(event=event, file=file) for file in photos)
        return event

"""Set by hand where and when the plan puts a stage, and take that back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from django.db import transaction
from django.utils import timezone

from clinic.models import User, record
from clinic.permissions import require
from production import work
from production.actions.errors import Refused
from production.bench.fold import SCAN_STAGE
from production.bench.routes import route_of
from production.models import Appliance, Machine, Order, Stage, Wish
from production.scheduling.state import IN_WORK, LAST_STAGE, standing_wishes


@transaction.atomic
def wish(
    user: User,
    appliances: Collection[Appliance],
    stage: Stage,
    *,
    machine: Machine | None = None,
    not_before: dt.datetime | None = None,
    first: bool = False,
) -> None:
    """Let every plan from now on keep to this for the stage of these appliances.

    Raises
    ------
    Refused
        Nothing is asked for, the machine does other work, or the stage has begun.
    """
    require(user, "bench")
    if not appliances:
        raise Refused("Choose what to move; the plan may have changed.")
    if machine is None and not_before is None and not first:
        raise Refused("Choose a machine, a time, or to take it first.")
    if machine is not None and machine.kind != stage.machine_kind:
        raise Refused(f"{machine} is not a machine for {stage.name}.")
    fresh = list(Appliance.objects.select_for_update().filter(pk__in=[a.pk for a in appliances]))
    for appliance in fresh:
        begun = appliance.status == Appliance.Status.RUNNING and appliance.stage_id == stage.pk
        if begun or appliance.status not in IN_WORK:
            raise Refused(f"{appliance.code} cannot be moved: {stage.name} has begun or is over.")
    now = timezone.now()
    for appliance in fresh:
        Wish.objects.update_or_create(
            appliance=appliance,
            stage=stage,
            defaults={
                "machine": machine,
                "not_before": not_before,
                "first": first,
                "for_promises": False,
                "by": user,
                "at": now,
            },
        )
        record(
            user,
            "plan set by hand",
            appliance,
            stage=stage.code,
            machine=machine.code if machine else "",
            not_before=not_before.isoformat() if not_before else "",
            first=first,
        )
    work.ask("plan", coalesce=True)


@transaction.atomic
def keep_back(user: User, order: Order, until: dt.datetime | None) -> None:
    """Leave an order alone until then, as the time agreed for it rests on that.

    Of every appliance the first stage that has not begun waits, save the scan, for which
    the patient has come. What a person set by hand stays. Nothing is done for None or a
    time that is past.
    """
    require(user, "book")
    if until is None or until <= timezone.now():
        return
    route = [entry.stage for entry in route_of(order.kind_id)]
    for appliance in order.appliances.select_for_update().filter(status__in=IN_WORK):
        stage = _first_to_begin(appliance, route)
        if stage is None:
            continue
        standing = standing_wishes().filter(appliance=appliance, stage=stage).first()
        by_hand = standing or Wish()
        Wish.objects.update_or_create(
            appliance=appliance,
            stage=stage,
            defaults={
                "machine": by_hand.machine,
                "first": by_hand.first,
                "not_before": max(until, by_hand.not_before or until),
                "for_promises": True,
                "by": user,
                "at": timezone.now(),
            },
        )
        record(user, "plan kept back", appliance, stage=stage.code, not_before=until.isoformat())
    work.ask("plan", coalesce=True)


def _first_to_begin(appliance: Appliance, route: list[Stage]) -> Stage | None:
    """Return the first stage of the route that has not begun, the scan left out."""
    places = [stage.pk for stage in route]
    if appliance.stage_id not in places:
        return None
    here = places.index(appliance.stage_id) + (appliance.status == Appliance.Status.RUNNING)
    return next((s for s in route[here:] if s.code not in (SCAN_STAGE, LAST_STAGE)), None)


@transaction.atomic
def take_back(user: User, appliances: Collection[Appliance], stage: Stage) -> int:
    """Leave the stage of these appliances to the planner again. Safe to repeat."""
    require(user, "bench")
    count = 0
    for appliance in appliances:
        gone, _ = Wish.objects.filter(appliance=appliance, stage=stage).delete()
        if gone:
            count += 1
            record(user, "plan left to the planner", appliance, stage=stage.code)
    if count:
        work.ask("plan", coalesce=True)
    return count

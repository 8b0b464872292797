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
from production.models import Appliance, Machine, Stage, Wish


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
        if begun or appliance.status not in (Appliance.Status.WAITING, Appliance.Status.RUNNING):
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

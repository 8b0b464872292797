"""Take a machine out of service, bring it back, note its maintenance."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.utils import timezone

from clinic.models import User, record
from clinic.permissions import require
from production import work
from production.actions.errors import Refused
from production.models import Downtime, Machine, MaintenanceRecord, MaintenanceTask


@transaction.atomic
def take_out(
    user: User, machine: Machine, reason: str, until: dt.datetime | None = None
) -> Downtime:
    """Take a machine out of service from now on; the plan keeps clear of it.

    Raises
    ------
    Refused
        No reason, or an end in the past.
    """
    require(user, "bench")
    if len(reason.strip()) < 3:
        raise Refused("Write what is wrong with it.")
    now = timezone.now()
    if until is not None and until <= now:
        raise Refused("The end must lie ahead; leave it empty if it is not known.")
    locked = Machine.objects.select_for_update().get(pk=machine.pk)
    if locked.state == Machine.State.DOWN:
        raise Refused(f"{machine} is out of service already.")
    downtime = Downtime.objects.create(
        machine=locked, starts_at=now, ends_at=until, reason=reason.strip(), recorded_by=user
    )
    if until is None:
        Machine.objects.filter(pk=machine.pk).update(state=Machine.State.DOWN)
    record(user, "machine out of service", locked, reason=reason.strip())
    work.ask("plan", coalesce=True)
    return downtime


@transaction.atomic
def bring_back(user: User, machine: Machine) -> Machine:
    """Put a machine back into service. Safe to repeat."""
    require(user, "bench")
    now = timezone.now()
    machine.downtimes.filter(starts_at__lte=now).filter(ends_at=None).update(ends_at=now)
    machine.downtimes.filter(starts_at__lte=now, ends_at__gt=now).update(ends_at=now)
    Machine.objects.filter(pk=machine.pk, state=Machine.State.DOWN).update(
        state=Machine.State.READY
    )
    record(user, "machine back in service", machine)
    work.ask("plan", coalesce=True)
    machine.refresh_from_db()
    return machine


@transaction.atomic
def note_maintenance(user: User, task: MaintenanceTask, note: str = "") -> MaintenanceRecord:
    """Record that a maintenance task was done just now."""
    require(user, "bench")
    done = MaintenanceRecord.objects.create(task=task, done_by=user, note=note.strip()[:200])
    record(user, "maintenance done", task.machine, task=task.name)
    return done

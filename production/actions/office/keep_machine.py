"""Take a machine out of service, bring it back, note its maintenance."""

from __future__ import annotations

import datetime as dt
import uuid

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from clinic.models import User, record
from clinic.permissions import require
from production import work
from production.actions.errors import Refused
from production.actions.spans import span_of
from production.models import Downtime, Machine, MaintenanceRecord, MaintenanceTask


@transaction.atomic
def take_out(
    user: User,
    machine: Machine,
    reason: str,
    until: dt.datetime | None = None,
    *,
    since: dt.datetime | None = None,
    key: str = "",
) -> Downtime:
    """Take a machine out of service, now or from ``since`` on; the plan keeps clear of it.

    ``key`` is the caller's idempotency key: the same request twice has the effect of one.

    Raises
    ------
    Refused
        No reason, an end in the past or before the beginning, no end for what begins later,
        or it is out of service then already.
    """
    require(user, "bench")
    locked = Machine.objects.select_for_update().get(pk=machine.pk)
    if key and (earlier := Downtime.objects.filter(key=key).first()):
        return earlier
    if len(reason.strip()) < 3:
        raise Refused("Write what is wrong with it.")
    begins, at_once = span_of(since, until)
    if locked.state == Machine.State.DOWN:
        raise Refused(f"{machine} is out of service already.")
    crossing = locked.downtimes.filter(Q(ends_at=None) | Q(ends_at__gt=begins))
    if until is not None:
        crossing = crossing.filter(starts_at__lt=until)
    elif at_once:
        crossing = crossing.filter(starts_at__lte=begins)
    if other := crossing.order_by("starts_at").first():
        local = timezone.localtime(other.starts_at)
        raise Refused(f"{machine} is out of service from {local:%a %d %b %H:%M}: {other.reason}.")
    downtime = Downtime.objects.create(
        machine=locked,
        starts_at=begins,
        ends_at=until,
        reason=reason.strip(),
        recorded_by=user,
        key=key or None,
    )
    if until is None:
        Machine.objects.filter(pk=machine.pk).update(state=Machine.State.DOWN)
    record(
        user,
        "machine out of service",
        locked,
        reason=reason.strip(),
        since=begins.isoformat(timespec="minutes"),
    )
    work.ask("plan", coalesce=True)
    return downtime


@transaction.atomic
def call_off(user: User, downtime: Downtime) -> None:
    """Take back a span out of service that has not begun. Safe to repeat.

    Raises
    ------
    Refused
        It has begun.
    """
    require(user, "bench")
    row = Downtime.objects.select_for_update().filter(pk=downtime.pk).first()
    if row is None:
        return
    if row.starts_at <= timezone.now():
        raise Refused(f"It has begun; bring {row.machine} back into service instead.")
    row.delete()
    record(
        user,
        "machine out of service called off",
        row.machine,
        reason=row.reason,
        since=row.starts_at.isoformat(timespec="minutes"),
    )
    work.ask("plan", coalesce=True)


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
def note_maintenance(
    user: User, task: MaintenanceTask, note: str = "", *, key: str = ""
) -> MaintenanceRecord:
    """Record that a maintenance task was done just now; once, however often ``key`` comes."""
    require(user, "bench")
    done, new = MaintenanceRecord.objects.get_or_create(
        key=key or uuid.uuid4().hex,
        defaults={"task": task, "done_by": user, "note": note.strip()[:200]},
    )
    if new:
        record(user, "maintenance done", task.machine, task=task.name)
    return done

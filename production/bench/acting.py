"""How long work must be left alone: a contact or curing time, a program's minutes."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone

from production.models import Appliance, Load, Stage, StageEvent

#: The part of a program that may be left by the clock: a start is marked a little late.
SLACK = 0.2
#: The same of a print, whose minutes are an estimate from its height.
PRINT_SLACK = 0.5


def started_by(appliance: Appliance) -> StageEvent | None:
    """Return the start of the running stage with its program, lots and materials."""
    if appliance.status != Appliance.Status.RUNNING:
        return None
    return (
        StageEvent.objects.filter(
            appliance=appliance,
            stage=appliance.stage,
            action=StageEvent.Action.START,
            undone_by=None,
        )
        .select_related("program")
        .prefetch_related("lot_uses__lot__material")
        .order_by("-seq")
        .first()
    )


def contact_minutes(start: StageEvent) -> float:
    """Return the longest time on a label that what was taken must act; 0 when there is none.

    Needs the lots and materials of the event loaded.
    """
    times = (use.lot.material.contact_minutes or 0.0 for use in start.lot_uses.all())
    return max(times, default=0.0)


def acts_until(start: StageEvent) -> dt.datetime | None:
    """Return when work by hand has acted or cured; None when nothing has to."""
    minutes = contact_minutes(start)
    if start.program is not None:
        minutes = max(minutes, start.program.minutes)
    return start.at + dt.timedelta(minutes=minutes) if minutes > 0 else None


def runs_until(run: Load) -> dt.datetime | None:
    """Return when a run is to have had its time, while much of it is left."""
    program, begun = run.program, run.started_at
    if begun is None:
        return None
    if run.stage.machine_kind == Stage.MachineKind.PRINTER:
        end, slack = run.expected_end, PRINT_SLACK
    else:
        end = begun + dt.timedelta(minutes=program.minutes) if program else None
        slack = SLACK
    if end is None:
        return None
    left = end - timezone.now()
    return end if left > max(dt.timedelta(minutes=1), slack * (end - begun)) else None

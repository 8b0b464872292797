"""Start the work of an appliance's present stage."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.permissions import require
from production.actions.bench.loading import (
    WITH_ORDER,
    choose_program,
    create_load,
    no_machine,
    start_load,
)
from production.actions.errors import Refused
from production.actions.recording import find, locked, moved, record
from production.bench import fit
from production.bench.gates import before_start
from production.bench.history import position_of
from production.bench.training import training_faults
from production.models import Appliance, Lot, Machine, Program, StageEvent


def start(
    user: User,
    appliance: Appliance,
    *,
    key: str,
    seen: int | None = None,
    machine: Machine | None = None,
    lots: Sequence[Lot] = (),
    program: Program | None = None,
    at: dt.datetime | None = None,
    time_certain: bool = True,
    note: str = "",
) -> StageEvent:
    """Start the present stage, by hand or (as a load of one) on ``machine``.

    Raises
    ------
    Moved
        Somebody else moved it since ``seen``.
    Refused, LotNeeded, WrongMaterial
        A rule is against it; the words say which and what to do.
    """
    require(user, "bench")
    with transaction.atomic():
        row = locked(appliance, *WITH_ORDER)
        earlier = find(key) or find(f"{key}:1")
        if earlier:
            return earlier
        if seen is not None and seen != row.seq:
            raise moved(row)
        stage = row.stage
        if stage is None:
            raise Refused(f"{row.code} stands at no stage.")
        if row.status == Appliance.Status.WAITING:
            position = position_of(row.pk)
            faults = training_faults(user, stage)
            faults += before_start(row, stage, position.scan_after if position else None)
            if faults:
                raise Refused(" ".join(faults))
        if stage.machine_kind and row.status == Appliance.Status.WAITING:
            if machine is None:
                raise no_machine(stage)
            load = create_load(user, stage, machine=machine, appliances=[row])
            start_load(
                user,
                load,
                key=key,
                lots=lots,
                program=program,
                at=at,
                time_certain=time_certain,
                note=note,
                seen=seen,
            )
            event = find(f"{key}:1")
            if event is None:
                raise Refused("The start was not recorded; try again.")
        else:
            when = at or timezone.now()
            if row.status == Appliance.Status.WAITING:
                program = choose_program([row], stage, machine, lots, program, when)
            event = record(
                user,
                row,
                StageEvent.Action.START,
                key=key,
                seen=seen,
                at=at,
                machine=machine,
                program=program,
                lots=[(lot, fit.amount_of(row, lot.material)) for lot in lots],
                time_certain=time_certain,
                note=note,
            )
            for lot in lots:
                Lot.objects.filter(pk=lot.pk, opened_at=None).update(opened_at=when)
        appliance.refresh_from_db()
        return event

"""Finish the work of an appliance's stage, or a whole load's."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Sequence
from typing import Any

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.permissions import require
from production.actions.bench.loading import WITH_ORDER, choose_program, run_of
from production.actions.bench.starting import start
from production.actions.chair.take_back_acceptance import stop_work
from production.actions.errors import Refused, StartUnknown, TicksMissing
from production.actions.recording import find, locked, moved, record
from production.bench import fit
from production.bench.acting import contact_minutes, started_by
from production.bench.fold import HANDOVER_STAGE
from production.bench.gates import before_finish
from production.bench.history import position_of
from production.bench.routes import after, route_of
from production.models import (
    Appliance,
    InstructionCard,
    Load,
    Lot,
    Machine,
    Program,
    Stage,
    StageEvent,
)


def card_of(stage: Stage) -> InstructionCard | None:
    """Return the stage's instruction card in its latest wording."""
    return InstructionCard.objects.filter(stage=stage).order_by("-version").first()


def check_ticks(stage: Stage, card: InstructionCard | None, ticks: Collection[str]) -> list[str]:
    """Return the ticks that belong to the card; refuse while a required one is missing.

    Raises
    ------
    TicksMissing
        With the lines still to check.
    """
    if card is None:
        return []
    if card.stage_id != stage.pk:
        raise Refused(f"That card belongs to another stage than {stage}; reload the page.")
    missing = [i["text"] for i in card.items if i.get("required") and i["id"] not in ticks]
    if missing:
        raise TicksMissing(missing)
    return [i["id"] for i in card.items if i["id"] in ticks]


def finish(
    user: User,
    appliance: Appliance,
    *,
    key: str,
    seen: int | None = None,
    ticks: Collection[str] = (),
    card: InstructionCard | None = None,
    at: dt.datetime | None = None,
    started_at: dt.datetime | None = None,
    start_unknown: bool = False,
    machine: Machine | None = None,
    lots: Sequence[Lot] = (),
    program: Program | None = None,
    time_certain: bool = True,
    note: str = "",
) -> StageEvent:
    """Finish the present stage; the appliance waits at the next one of its route.

    When nobody marked the start, the person is asked (``StartUnknown``) and answers with
    ``started_at``, which is recorded as an uncertain time, or with ``start_unknown``.

    Parameters
    ----------
    ticks, card
        Ticked lines, and the card as it was shown (the latest wording when left out).
    machine, lots, program
        For a forgotten start: what it was done on and with.

    Raises
    ------
    Moved, StartUnknown, TicksMissing, Refused
        Nothing is recorded; the words say what to do.
    """
    require(user, "bench")
    with transaction.atomic():
        row = locked(appliance, *WITH_ORDER)
        earlier = find(key)
        if earlier:
            return earlier
        if seen is not None and seen != row.seq:
            raise moved(row)
        stage = row.stage
        if stage is None or stage.code == HANDOVER_STAGE:
            raise Refused(f"{row.code} is ready for its patient: hand it over.")
        load = run_of(row) if row.status == Appliance.Status.RUNNING else None
        if load is not None and load.items.count() > 1:
            raise Refused(
                f"{row.code} runs with others in {load.code}; finish the {stage.load_name} as a "
                "whole, or record a failure for this one."
            )
        extra: dict[str, Any] = {}
        if row.status == Appliance.Status.WAITING:
            if started_at is not None:
                start(
                    user,
                    row,
                    key=f"{key}:start",
                    seen=seen,
                    machine=machine,
                    lots=lots,
                    program=program,
                    at=started_at,
                    time_certain=False,
                )
                load, seen = run_of(row), None
            elif start_unknown:
                extra = _made_with(row, stage, machine, lots, program, at)
            else:
                raise StartUnknown(
                    f"Nobody marked when {stage.name.lower()} started for {row.code}. When was it?"
                )
        event = _finish_one(
            user,
            row,
            stage,
            key=key,
            seen=seen,
            ticks=ticks,
            card=card,
            at=at,
            load=load,
            time_certain=time_certain and not start_unknown,
            note=note,
            extra=extra,
        )
        if load is not None:
            Load.objects.filter(pk=load.pk).update(status=Load.Status.DONE, ended_at=event.at)
        appliance.refresh_from_db()
        return event


def _made_with(
    row: Appliance,
    stage: Stage,
    machine: Machine | None,
    lots: Sequence[Lot],
    program: Program | None,
    at: dt.datetime | None,
) -> dict[str, Any]:
    """Keep the trace of a stage whose start nobody knows: machine, program and lots."""
    if stage.machine_kind:
        if machine is None:
            raise Refused("Scan the code of the machine it was done on.")
        if machine.kind != stage.machine_kind:
            raise Refused(f"{machine} does not do {stage.name.lower()}.")
    program = choose_program([row], stage, machine, lots, program, at or timezone.now())
    used = [(lot, fit.amount_of(row, lot.material)) for lot in lots]
    return {"machine": machine, "program": program, "lots": used}


def _finish_one(
    user: User,
    row: Appliance,
    stage: Stage,
    *,
    key: str,
    seen: int | None,
    ticks: Collection[str],
    card: InstructionCard | None,
    at: dt.datetime | None,
    load: Load | None,
    time_certain: bool,
    note: str,
    extra: dict[str, Any],
) -> StageEvent:
    card = card or card_of(stage)
    position = position_of(row.pk)
    faults = before_finish(row, stage, position.scan_after if position else None)
    faults += _contact_faults(row, at or timezone.now())
    if faults:
        raise Refused(f"{row.code}: " + " ".join(faults))
    following = after(route_of(row.kind_id), stage)
    if following is None:
        raise Refused(f"The route of {row.kind} ends at {stage}; it needs a delivery stage.")
    known = check_ticks(stage, card, ticks)
    event = record(
        user,
        row,
        StageEvent.Action.FINISH,
        key=key,
        seen=seen,
        at=at,
        to_stage=following,
        card=card,
        ticks=known,
        load=load,
        time_certain=time_certain,
        note=note,
        **extra,
    )
    # Where the doctor took the acceptance of the scan back meanwhile.
    stop_work(user, row, follows=event)
    return event


def _contact_faults(row: Appliance, at: dt.datetime) -> list[str]:
    """Refuse to end a disinfection or a cure before the time on the label has passed."""
    start_event = started_by(row)
    if start_event is None:
        return []
    minutes = contact_minutes(start_event)
    left = minutes - (at - start_event.at).total_seconds() / 60
    if left <= 0:
        return []
    return [
        f"The time on the label is {minutes:g} min; {math.ceil(left)} min are left. "
        "Leave it until then, and finish it afterwards."
    ]


def finish_load(
    user: User,
    load: Load,
    *,
    key: str,
    ticks: Collection[str] = (),
    card: InstructionCard | None = None,
    at: dt.datetime | None = None,
    time_certain: bool = True,
    note: str = "",
) -> Load:
    """Finish every appliance still running in the load; all of them move, or none.

    Raises
    ------
    Refused, TicksMissing
        Nothing moved.
    """
    require(user, "bench")
    with transaction.atomic():
        row = Load.objects.select_for_update().get(pk=load.pk)
        if find(f"{key}:1"):
            return row
        if row.status != Load.Status.RUNNING:
            raise Refused(f"{row.code} is {row.get_status_display().lower()}, not running.")
        members = list(
            row.appliances.filter(status=Appliance.Status.RUNNING, stage_id=row.stage_id)
            .select_related(*WITH_ORDER)
            .order_by("code")
        )
        if not members:
            raise Refused(f"Nothing is running in {row.code} any more.")
        for number, member in enumerate(members, start=1):
            _finish_one(
                user,
                member,
                row.stage,
                key=f"{key}:{number}",
                seen=None,
                ticks=ticks,
                card=card,
                at=at,
                load=row,
                time_certain=time_certain,
                note=note,
                extra={},
            )
        Load.objects.filter(pk=row.pk).update(
            status=Load.Status.DONE, ended_at=at or timezone.now()
        )
        row.refresh_from_db()
        return row

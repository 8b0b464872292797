"""Fill loads and run them: a plate, a basket, a tray, or one appliance on a machine.

Every run on a machine is a load, if only of one, so that each has a machine, a
program, an expected end and a timer. A load moves all its appliances in one
transaction or none of them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from clinic.models import Office, User
from clinic.permissions import require
from production.actions.errors import LotNeeded, Refused, WrongMaterial
from production.actions.recording import find, record
from production.bench import codes, fit
from production.bench.gates import before_start
from production.bench.history import position_of
from production.bench.training import training_faults
from production.models import (
    Appliance,
    Load,
    LoadItem,
    Lot,
    Machine,
    Material,
    Program,
    RouteStage,
    Stage,
    StageEvent,
)

IN_A_RUN = (Appliance.Status.RUNNING, Appliance.Status.HELD)
WITH_ORDER = ("order__patient", "order__sheet", "stage", "scan", "model", "kind", "step")


def create_load(
    user: User,
    stage: Stage,
    *,
    machine: Machine | None = None,
    appliances: Iterable[Appliance] = (),
) -> Load:
    """Return a new load at ``stage``; a still empty one of the same person is taken again.

    Raises
    ------
    Refused
        Nothing runs together at that stage, or an appliance does not wait there.
    """
    require(user, "bench")
    if not stage.machine_kind:
        raise Refused(f"{stage} is done by hand, one by one.")
    with transaction.atomic():
        load = Load.objects.filter(
            stage=stage, status=Load.Status.FILLING, items=None, created_by=user
        ).first()
        if load is None:
            load = Load.objects.create(code=_free_code(), stage=stage, created_by=user)
        if load.machine != machine:
            load.machine = machine
            load.save(update_fields=["machine"])
        for appliance in appliances:
            add_to_load(user, load, appliance)
        return load


def _free_code() -> str:
    code = codes.new_load_code()
    while Load.objects.filter(code=code).exists():
        code = codes.new_load_code()
    return code


def _locked(load: Load) -> Load:
    return (
        Load.objects.select_for_update(of=("self",))
        .select_related("stage", "machine")
        .get(pk=load.pk)
    )


def add_to_load(user: User, load: Load, appliance: Appliance) -> LoadItem:
    """Put an appliance into a load that is being filled; out of another one it was in."""
    require(user, "bench")
    with transaction.atomic():
        row = _locked(load)
        if row.status != Load.Status.FILLING:
            raise Refused(f"{row.code} is {row.get_status_display().lower()}; start a new load.")
        item = Appliance.objects.select_related("stage").get(pk=appliance.pk)
        if item.stage_id != row.stage_id or item.status != Appliance.Status.WAITING:
            hint = f" Finish {item.stage} first." if item.status in IN_A_RUN else ""
            raise Refused(
                f"{item.code} is “{item.get_status_display().lower()}” at {item.stage}, "
                f"not waiting for {row.stage}.{hint}"
            )
        count = row.items.exclude(appliance=item).count()
        if row.machine is not None and count >= row.machine.capacity:
            raise Refused(f"{row.machine} takes {row.machine.capacity}; start it or a new load.")
        LoadItem.objects.filter(appliance=item, load__status=Load.Status.FILLING).exclude(
            load=row
        ).delete()
        placed, _ = LoadItem.objects.get_or_create(load=row, appliance=item)
        return placed


def remove_from_load(user: User, load: Load, appliance: Appliance) -> None:
    """Take an appliance out of a load that has not started."""
    require(user, "bench")
    with transaction.atomic():
        row = _locked(load)
        if row.status != Load.Status.FILLING:
            raise Refused(f"{row.code} has started; record a failure for what comes out of it.")
        LoadItem.objects.filter(load=row, appliance=appliance).delete()


def choose_machine(user: User, load: Load, machine: Machine) -> Load:
    """Say on which machine a load that is being filled is to run.

    Raises
    ------
    Refused
        It has started, or the machine does other work.
    """
    require(user, "bench")
    with transaction.atomic():
        row = _locked(load)
        if row.status != Load.Status.FILLING:
            raise Refused(f"{row.code} has started; it stays where it runs.")
        if machine.kind != row.stage.machine_kind or machine.state == Machine.State.RETIRED:
            raise Refused(f"{machine} does not do {row.stage.name.lower()}.")
        row.machine = machine
        row.save(update_fields=["machine"])
        return row


def cancel_load(user: User, load: Load) -> None:
    """Give up a load that has not started; its appliances wait on."""
    require(user, "bench")
    with transaction.atomic():
        row = _locked(load)
        if row.status != Load.Status.FILLING:
            raise Refused(f"{row.code} has started and cannot be given up; finish it or fail it.")
        Load.objects.filter(pk=row.pk).update(status=Load.Status.CANCELLED)


def start_load(
    user: User,
    load: Load,
    *,
    key: str,
    machine: Machine | None = None,
    lots: Sequence[Lot] = (),
    program: Program | None = None,
    at: dt.datetime | None = None,
    time_certain: bool = True,
    note: str = "",
    seen: int | None = None,
) -> Load:
    """Start every appliance of the load on a machine at once.

    ``machine`` is the load's own when left out; ``seen`` is for a load of one.

    Raises
    ------
    Refused, LotNeeded, WrongMaterial, Moved
        Nothing has started; the words say why.
    """
    require(user, "bench")
    with transaction.atomic():
        row = _locked(load)
        if find(f"{key}:1"):
            return row
        if row.status != Load.Status.FILLING:
            raise Refused(f"{row.code} is already {row.get_status_display().lower()}.")
        machine = machine or row.machine
        members = list(row.appliances.select_related(*WITH_ORDER).order_by("code"))
        if not members:
            raise Refused(f"{row.code} is empty; scan the appliances that go into it.")
        if machine is None:
            raise no_machine(row.stage)
        when = at or timezone.now()
        machine = machine_free(machine, row.stage, len(members), when)
        _ready_to_start(user, row.stage, members)
        program = choose_program(members, row.stage, machine, lots, program, when)
        for number, member in enumerate(members, start=1):
            record(
                user,
                member,
                StageEvent.Action.START,
                key=f"{key}:{number}",
                at=at,
                seen=seen if len(members) == 1 else None,
                machine=machine,
                load=row,
                program=program,
                lots=[(lot, fit.amount_of(member, lot.material)) for lot in lots],
                time_certain=time_certain,
                note=note,
            )
        Lot.objects.filter(pk__in=[lot.pk for lot in lots], opened_at=None).update(opened_at=when)
        Load.objects.filter(pk=row.pk).update(
            machine=machine,
            program=program,
            status=Load.Status.RUNNING,
            started_at=when,
            expected_end=when + expected(row, members, machine, program),
        )
        row.refresh_from_db()
        return row


def no_machine(stage: Stage) -> Refused:
    """Say that no machine was chosen: choose one, or wait for one where all of them run."""
    kind = Stage.MachineKind(stage.machine_kind).label.lower()
    ready = Machine.objects.filter(kind=stage.machine_kind, state=Machine.State.READY)
    runs = Load.objects.filter(status=Load.Status.RUNNING, machine__in=ready)
    busy = [f"{load.machine} runs {load.code}" for load in runs.select_related("machine")]
    if busy and len(busy) == ready.count():
        return Refused(f"No {kind} is free: {', '.join(busy)}. Finish that first.")
    return Refused(f"Choose the {kind} it runs on, or scan its code.")


def machine_free(machine: Machine, stage: Stage, count: int, at: dt.datetime) -> Machine:
    """Return the machine, locked, or refuse: wrong kind, out of service, too small, or busy."""
    machine = Machine.objects.select_for_update().get(pk=machine.pk)
    if machine.kind != stage.machine_kind:
        wanted = Stage.MachineKind(stage.machine_kind).label.lower()
        raise Refused(f"{machine} is not a {wanted}; {stage} needs one.")
    if machine.state != Machine.State.READY:
        raise Refused(f"{machine} is {machine.get_state_display().lower()}; use another one.")
    down = machine.downtimes.filter(Q(ends_at=None) | Q(ends_at__gt=at), starts_at__lte=at).first()
    if down:
        raise Refused(f"{machine} is out of service: {down.reason}. Use another one.")
    if count > machine.capacity:
        raise Refused(f"{machine} takes {machine.capacity} at a time, these are {count}.")
    busy = machine.loads.filter(status=Load.Status.RUNNING).first()
    if busy:
        raise Refused(f"{machine} is still running {busy.code}; finish that first.")
    return machine


def _ready_to_start(user: User, stage: Stage, members: Sequence[Appliance]) -> None:
    faults = training_faults(user, stage)
    for member in members:
        if member.stage_id != stage.pk or member.status != Appliance.Status.WAITING:
            faults.append(
                f"{member.code} is “{member.get_status_display().lower()}” at {member.stage}; "
                "take it out of the load."
            )
            continue
        position = position_of(member.pk)
        after = position.scan_after if position else None
        faults += [f"{member.code}: {fault}" for fault in before_start(member, stage, after)]
    if faults:
        raise Refused(" ".join(faults))


def choose_program(
    members: Sequence[Appliance],
    stage: Stage,
    machine: Machine | None,
    lots: Sequence[Lot],
    program: Program | None,
    at: dt.datetime,
) -> Program | None:
    """Check the lots and return the one program to set; None when the office has none on file."""
    fitting = [lot for lot in lots if lot.material.kind == stage.needs_lot]
    today = at.astimezone(Office.get().zone).date()
    stops: list[str] = []
    programs: list[Program] = []
    for lot in lots:
        found = fit.check(lot, members, stage, machine, today)
        stops += found.stops
        programs += found.programs
    if stops:
        raise WrongMaterial(" ".join(stops))
    if stage.needs_lot and not fitting:
        kind = Material.Kind(stage.needs_lot)
        raise LotNeeded(f"Scan the lot of the {kind.label.lower()} first.", kind.value)
    if not stage.needs_lot and stage.machine_kind:
        programs = _by_resin(members, stage, machine)
    if program is not None:
        if programs and program not in programs:
            raise WrongMaterial(f"Program {program} is not for this material and machine.")
        if program.stage_id != stage.pk:
            raise Refused(f"Program {program} is for another stage.")
        return program
    if len(programs) > 1:
        names = ", ".join(str(p) for p in programs)
        raise Refused(f"Choose the program to set: {names}.")
    return programs[0] if programs else None


def _by_resin(members: Sequence[Appliance], stage: Stage, machine: Machine | None) -> list[Program]:
    """Return the programs for the one resin that all members were printed in."""
    resins = set(fit.resins_of(members).values())
    known = {resin: fit.programs_for(stage, resin) for resin in resins}
    with_program = {resin: programs for resin, programs in known.items() if programs}
    if len(resins) > 1 and with_program:
        names = ", ".join(sorted(str(resin) for resin in resins))
        raise WrongMaterial(f"These were printed in different resins ({names}): run them apart.")
    for resin, programs in with_program.items():
        allowed = fit.allowed_on(programs, machine)
        if not allowed:
            raise WrongMaterial(f"No program for {resin} is allowed on {machine}.")
        return allowed
    return []


def expected(
    load: Load, members: Sequence[Appliance], machine: Machine, program: Program | None
) -> dt.timedelta:
    """Return how long the run takes: by print height, else program, else the route's median."""
    height = _height(load, members)
    if machine.kind == Stage.MachineKind.PRINTER and height and machine.minutes_per_mm:
        return dt.timedelta(minutes=machine.print_minutes(height))
    if program is not None and program.minutes > 0:
        return dt.timedelta(minutes=program.minutes)
    usual = RouteStage.objects.filter(
        stage=load.stage, kind__in={m.kind_id for m in members}
    ).values_list("minutes", flat=True)
    return dt.timedelta(minutes=max(usual, default=0.0))


def _height(load: Load, members: Sequence[Appliance]) -> float | None:
    plate = getattr(load, "plate", None)
    if plate is not None and plate.height_mm:
        return float(plate.height_mm)
    heights = [
        (m.model.report or {}).get("height_mm") if m.model is not None else None for m in members
    ]
    known = [float(h) for h in heights if h]
    return max(known) if known and len(known) == len(members) else None


def leave(load: Load, appliance: Appliance, status: Load.Status, at: dt.datetime) -> None:
    """Take an appliance out of a running load; the load ends with its last one.

    Its events still name the load; only its place in it is given up.
    """
    LoadItem.objects.filter(load=load, appliance=appliance).delete()
    if not LoadItem.objects.filter(load=load).exists():
        Load.objects.filter(pk=load.pk, status=Load.Status.RUNNING).update(
            status=status, ended_at=at
        )


def run_of(appliance: Appliance) -> Load | None:
    """Return the running load that ``appliance`` is in, if any."""
    return (
        Load.objects.filter(
            items__appliance=appliance, status=Load.Status.RUNNING, stage=appliance.stage
        )
        .select_related("stage", "machine", "program")
        .order_by("-started_at")
        .first()
    )

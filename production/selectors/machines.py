"""Reads about machines: state, what runs, what maintenance is due, how accurate they print."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass, field

from django.db.models import Count, Max, OuterRef, Prefetch, Q, Subquery
from django.utils import timezone

from production.models import (
    AccuracyCheck,
    Downtime,
    Load,
    Lot,
    Machine,
    MaintenanceRecord,
    MaintenanceTask,
)

#: Never done: due at once.
EPOCH = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
ENDED = (Load.Status.DONE.value, Load.Status.FAILED.value)


@dataclass
class Due:
    """A maintenance task and how near it is."""

    task: MaintenanceTask
    last: dt.datetime | None
    loads_since: int

    @property
    def share(self) -> float:
        """1 when due: the nearer of its limits by days and by loads."""
        shares = [0.0]
        if self.task.every_days:
            since = self.last or EPOCH
            shares.append((timezone.now() - since).total_seconds() / 86400 / self.task.every_days)
        if self.task.every_loads:
            shares.append(self.loads_since / self.task.every_loads)
        return max(shares)

    @property
    def due(self) -> bool:
        """Whether it is due or overdue."""
        return self.share >= 1.0


@dataclass
class MachineState:
    """A machine with everything its page shows."""

    machine: Machine
    running: Load | None
    loads: int
    failed: int
    downtime: Downtime | None
    tasks: list[Due] = field(default_factory=list)

    @property
    def due(self) -> list[Due]:
        """The tasks that are due."""
        return [t for t in self.tasks if t.due]


def machines() -> list[MachineState]:
    """Return every machine in service or out of it, in a fixed number of queries."""
    now = timezone.now()
    rows = Machine.objects.exclude(state=Machine.State.RETIRED).prefetch_related(
        Prefetch(
            "downtimes",
            Downtime.objects.filter(Q(ends_at=None) | Q(ends_at__gt=now)),
            to_attr="standing",
        ),
        Prefetch("tasks", MaintenanceTask.objects.filter(active=True).select_related("machine")),
    )
    # All of them, read from the index; asked for by status, the rows would be looked up.
    counted = Load.objects.order_by().values_list("machine", "status").annotate(n=Count("pk"))
    loads = {(machine, status): n for machine, status, n in counted}
    running = {
        load.machine_id: load
        for load in Load.objects.filter(status=Load.Status.RUNNING).select_related("stage")
    }
    ended = Counter[int]()
    for (machine_id, status), n in loads.items():
        ended[machine_id] += n if status in ENDED else 0
    dues = _dues(ended)
    return [
        MachineState(
            machine,
            running.get(machine.pk),
            ended[machine.pk],
            loads.get((machine.pk, Load.Status.FAILED), 0),
            next(iter(machine.standing), None),  # type: ignore[attr-defined]
            [dues[t.pk] for t in machine.tasks.all() if t.pk in dues],
        )
        for machine in rows
    ]


def _dues(ended: Counter[int]) -> dict[int, Due]:
    """Return every task; ``ended`` counts the loads of each machine that ever ended."""
    last = (
        MaintenanceRecord.objects.filter(task=OuterRef("pk"))
        .values("task")
        .annotate(at=Max("done_at"))
        .values("at")
    )
    tasks = list(
        MaintenanceTask.objects.filter(active=True)
        .select_related("machine")
        .annotate(last=Subquery(last))
    )
    done: dict[int, dt.datetime] = {t.pk: t.last for t in tasks if t.last}  # type: ignore[attr-defined]
    since = {}
    if done:
        # The moments as plain values: a database looks a subquery up for every load again.
        loads = Load.objects.filter(status__in=ENDED, ended_at__gt=min(done.values()))
        since = loads.aggregate(
            **{
                str(t.pk): Count("pk", filter=Q(machine=t.machine_id, ended_at__gt=done[t.pk]))
                for t in tasks
                if t.pk in done
            }
        )
    return {t.pk: Due(t, done.get(t.pk), since.get(str(t.pk), ended[t.machine_id])) for t in tasks}


def accuracy(machine: Machine) -> list[AccuracyCheck]:
    """Return the machine's accuracy checks, oldest first."""
    return list(
        machine.accuracy_checks.select_related("lot__material", "model").order_by("measured_at")
    )


@dataclass
class ResinChecks:
    """The measured checks of one printer with one resin, oldest first."""

    key: str
    name: str
    checks: list[AccuracyCheck] = field(default_factory=list)


def by_resin(checks: list[AccuracyCheck]) -> list[ResinChecks]:
    """Group measured checks by resin, the one checked last first."""
    found: dict[str, ResinChecks] = {}
    for check in reversed(checks):
        if check.status != AccuracyCheck.Status.MEASURED:
            continue
        resin = check.lot.material if check.lot else None
        key = str(resin.pk) if resin else "0"
        group = found.setdefault(key, ResinChecks(key, str(resin) if resin else "Resin not noted"))
        group.checks.insert(0, check)
    return list(found.values())


def resin_lots() -> list[Lot]:
    """Return the resin lots in use."""
    return list(
        Lot.objects.filter(material__kind="resin", closed_at=None).select_related("material")
    )

"""Reads about machines: state, what runs, what maintenance is due, how accurate they print."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from django.db.models import Count, Max, OuterRef, Prefetch, Q, QuerySet, Subquery
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
#: A span out of service is told this long before at the bench.
NEAR = dt.timedelta(hours=24)
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
    coming: list[Downtime] = field(default_factory=list)
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
            Downtime.objects.filter(Q(ends_at=None) | Q(ends_at__gt=now)).order_by("starts_at"),
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
            next((d for d in machine.standing if d.starts_at <= now), None),  # type: ignore[attr-defined]
            [d for d in machine.standing if d.starts_at > now],  # type: ignore[attr-defined]
            [dues[t.pk] for t in machine.tasks.all() if t.pk in dues],
        )
        for machine in rows
    ]


def _dues(ended: Counter[int]) -> dict[int, Due]:
    """Return every task; ``ended`` counts the loads of each machine that ever ended."""
    tasks = list(_tasks().select_related("machine"))
    since = _loads_since(tasks)
    return {t.pk: Due(t, t.last, since.get(t.pk, ended[t.machine_id])) for t in tasks}  # type: ignore[attr-defined]


def _tasks() -> QuerySet[MaintenanceTask]:
    """Return the tasks in force, each with the time when it was done ``last``."""
    last = (
        MaintenanceRecord.objects.filter(task=OuterRef("pk"))
        .values("task")
        .annotate(at=Max("done_at"))
        .values("at")
    )
    return MaintenanceTask.objects.filter(active=True).annotate(last=Subquery(last))


def _loads_since(tasks: Iterable[MaintenanceTask]) -> dict[int, int]:
    """Count the loads that ended on each task's machine since it was done; none if it never was."""
    done: dict[int, dt.datetime] = {t.pk: t.last for t in tasks if t.last}  # type: ignore[attr-defined]
    if not done:
        return {}
    # The moments as plain values: a database looks a subquery up for every load again.
    loads = Load.objects.filter(status__in=ENDED, ended_at__gt=min(done.values()))
    counted = loads.aggregate(
        **{
            str(t.pk): Count("pk", filter=Q(machine=t.machine_id, ended_at__gt=done[t.pk]))
            for t in tasks
            if t.pk in done
        }
    )
    return {int(pk): n for pk, n in counted.items()}


@dataclass
class Heed:
    """What to know of a machine before a load is put on it."""

    down: Downtime | None = None
    coming: Downtime | None = None
    due: list[str] = field(default_factory=list)


def heeds(machines: Collection[Machine], now: dt.datetime | None = None) -> dict[int, Heed]:
    """Return, by machine, whether it is or soon will be out of service, and what is due on it.

    At most four queries, which read what is new since a task was done last.
    """
    now = now or timezone.now()
    found = {machine.pk: Heed() for machine in machines}
    spans = Downtime.objects.filter(
        Q(ends_at=None) | Q(ends_at__gt=now), machine__in=machines, starts_at__lt=now + NEAR
    )
    for span in spans.order_by("starts_at"):
        heed = found[span.machine_id]
        if span.starts_at <= now:
            heed.down = span
        elif heed.coming is None:
            heed.coming = span
    tasks = list(_tasks().filter(machine__in=machines))
    since = _loads_since([t for t in tasks if t.every_loads])
    never = {t.machine_id for t in tasks if t.every_loads and t.pk not in since}
    ever: dict[int, int] = {}
    if never:
        loads = Load.objects.filter(machine__in=never, status__in=ENDED).order_by()
        ever = dict(loads.values_list("machine").annotate(n=Count("pk")))
    for task in tasks:
        count = since.get(task.pk, ever.get(task.machine_id, 0))
        if Due(task, task.last, count).due:  # type: ignore[attr-defined]
            found[task.machine_id].due.append(task.name)
    return found


def cut_off(load: Load) -> Downtime | None:
    """Return the span out of service that begins before a running load is to end."""
    if load.machine_id is None or load.expected_end is None or load.started_at is None:
        return None
    return (
        Downtime.objects.filter(
            machine=load.machine_id,
            starts_at__gt=load.started_at,
            starts_at__lt=load.expected_end,
        )
        .order_by("starts_at")
        .first()
    )


def down_now(machine: Machine | None) -> Downtime | None:
    """Return the span in which ``machine`` is out of service at present."""
    now = timezone.now()
    spans = Downtime.objects.filter(Q(ends_at=None) | Q(ends_at__gt=now), starts_at__lte=now)
    return spans.filter(machine=machine).first() if machine else None


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

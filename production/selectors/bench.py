"""Reads for the bench: what to do next at each station, what runs, what is late.

Every function takes a fixed number of queries, however much is on the bench.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.db.models import Count, Prefetch, Q, QuerySet, prefetch_related_objects
from django.utils import timezone

from clinic.models import Office, User
from production.bench.acting import acts_until
from production.bench.fold import HANDOVER_STAGE
from production.models import (
    Appliance,
    Load,
    LoadItem,
    LotUse,
    Machine,
    Plan,
    Program,
    Promise,
    RouteStage,
    Stage,
    StageEvent,
)
from production.selectors.version import newest, version_of

SHOWN = 6
UNDO_SECONDS = 60
FAR = dt.datetime.max.replace(tzinfo=dt.UTC)


@dataclass(frozen=True)
class Planned:
    """When and where the plan wants a step."""

    start: dt.datetime
    machine: Machine | None
    batch: str | None


@dataclass
class Task:
    """An appliance that waits, with its promise and its place in the plan."""

    appliance: Appliance
    promise: Promise | None
    planned: Planned | None
    late: bool = False
    at_risk: bool = False

    @property
    def order(self) -> tuple[dt.datetime, dt.datetime, dt.datetime]:
        """Sort key: the plan, then the promise, then age."""
        return (
            self.planned.start if self.planned else FAR,
            self.promise.due_at if self.promise else FAR,
            self.appliance.created_at,
        )


@dataclass
class Station:
    """A stage with what waits at it, in the order of the plan."""

    stage: Stage
    tasks: list[Task] = field(default_factory=list)
    held: list[Task] = field(default_factory=list)

    @property
    def shown(self) -> list[Task]:
        """The first few."""
        return self.tasks[:SHOWN]

    @property
    def more(self) -> int:
        """How many are not shown."""
        return max(0, len(self.tasks) - SHOWN)


@dataclass
class Run:
    """A load that runs, or work by hand that was started."""

    load: Load | None
    appliance: Appliance | None
    stage: Stage
    count: int
    started_at: dt.datetime | None
    expected_end: dt.datetime | None
    by: User | None = None
    #: Whether its end is told aloud: a machine's run, or what acts or cures by hand.
    told: bool = True

    @property
    def code(self) -> str:
        """The load's code, or the appliance's."""
        if self.load is not None:
            return self.load.code
        return self.appliance.code if self.appliance else ""

    @property
    def says(self) -> str:
        """What is told at its end."""
        if self.load is not None:
            return f"{self.stage} on {self.load.machine} has ended"
        return f"{self.stage} of {self.code}: its time is up"


@dataclass
class Bench:
    """Everything the bench page shows."""

    stations: list[Station]
    next_up: list[Task]
    filling: Sequence[Load]
    late: list[Task]
    late_more: int
    ready: int
    planned_at: dt.datetime | None


def with_promise(appliances: QuerySet[Appliance]) -> QuerySet[Appliance]:
    """Load what a task shows: stage, kind, order, patient and standing promise."""
    standing = Prefetch(
        "order__promises", Promise.objects.filter(superseded_at=None), to_attr="standing"
    )
    return appliances.select_related(
        "stage", "kind", "order__patient", "order__sheet"
    ).prefetch_related(standing)


def promise_of(appliance: Appliance) -> Promise | None:
    """Return the standing promise that ``with_promise`` loaded."""
    return next(iter(getattr(appliance.order, "standing", [])), None)


def plan_order() -> tuple[dict[tuple[str, int], Planned], dt.datetime | None]:
    """Return the latest plan's (appliance code, place in the route) → when and where."""
    plan = Plan.objects.only("origin", "steps", "created_at").order_by("-pk").first()
    if plan is None:
        return {}, None
    machines = {f"m{m.pk}": m for m in Machine.objects.all()}
    order = {}
    for step in plan.steps:
        order[(str(step["job"]), int(step["index"]))] = Planned(
            start=plan.origin + dt.timedelta(minutes=float(step["start"])),
            machine=machines.get(str(step.get("resource"))),
            batch=str(step["batch"]) if step.get("batch") is not None else None,
        )
    return order, plan.created_at


def places() -> dict[tuple[int, int], int]:
    """Return (kind, stage) → the stage's place in the route, counted from 0."""
    found: dict[tuple[int, int], int] = {}
    count: dict[int, int] = defaultdict(int)
    rows = RouteStage.objects.order_by("kind", "position").values_list("kind_id", "stage_id")
    for kind, stage in rows:
        found[(kind, stage)] = count[kind]
        count[kind] += 1
    return found


def tasks_of(
    appliances: Iterable[Appliance],
    order: dict[tuple[str, int], Planned],
    risk_limit: float,
    now: dt.datetime,
) -> list[Task]:
    """Return tasks sorted by plan, promise and age."""
    route = places()
    tasks = []
    for appliance in appliances:
        promise = promise_of(appliance)
        place = route.get((appliance.kind_id, appliance.stage_id or 0), -1)
        waits = appliance.status in (Appliance.Status.WAITING, Appliance.Status.HELD)
        tasks.append(
            Task(
                appliance,
                promise,
                order.get((appliance.code, place)) if waits else None,
                late=bool(promise and not appliance.ready_at and promise.due_at < now),
                at_risk=bool(
                    promise and promise.p_late is not None and promise.p_late > risk_limit
                ),
            )
        )
    return sorted(tasks, key=lambda task: task.order)


def bench_now(office: Office, now: dt.datetime | None = None) -> Bench:
    """Return the bench as it stands, in the order of the latest plan."""
    now = now or timezone.now()
    order, planned_at = plan_order()
    waiting = with_promise(
        Appliance.objects.filter(
            status__in=[Appliance.Status.WAITING, Appliance.Status.HELD, Appliance.Status.RUNNING],
            order__cancelled_at=None,
        ).exclude(stage__code=HANDOVER_STAGE)
    )
    tasks = tasks_of(waiting, order, office.risk_limit, now)
    stations = {stage.pk: Station(stage) for stage in Stage.objects.exclude(code=HANDOVER_STAGE)}
    for task in tasks:
        station = stations.get(task.appliance.stage_id or 0)
        if station is None:
            continue
        if task.appliance.status == Appliance.Status.WAITING:
            station.tasks.append(task)
        elif task.appliance.status == Appliance.Status.HELD:
            station.held.append(task)
    filling = list(
        Load.objects.filter(status=Load.Status.FILLING)
        .select_related("stage", "machine")
        .annotate(count=Count("items"))
        .filter(count__gt=0)
    )
    bench_tasks = [
        t
        for t in tasks
        if t.appliance.status == Appliance.Status.WAITING
        and t.appliance.stage is not None
        and t.appliance.stage.code != "scan"
    ]
    late = sorted(
        (t for t in tasks if t.late or t.at_risk),
        key=lambda t: (not t.late, t.promise.due_at if t.promise else FAR),
    )
    return Bench(
        stations=[s for s in stations.values() if s.tasks or s.held or s.stage.code != "scan"],
        next_up=bench_tasks[:4],
        filling=filling,
        late=late[:SHOWN],
        late_more=max(0, len(late) - SHOWN),
        ready=Appliance.objects.filter(status=Appliance.Status.READY).count(),
        planned_at=planned_at,
    )


def loads_now() -> QuerySet[Load]:
    """Return the loads that run, the first to end first."""
    running = Load.objects.filter(status=Load.Status.RUNNING)
    return running.select_related("stage", "machine", "program").order_by("expected_end")


def runs_now() -> list[Run]:
    """Return what runs: loads on machines, then work by hand, the first to end first."""
    loads = loads_now().annotate(
        count=Count("items", filter=Q(items__appliance__status=Appliance.Status.RUNNING))
    )
    runs = [
        Run(load, None, load.stage, load.count, load.started_at, load.expected_end)
        for load in loads
    ]
    in_loads = LoadItem.objects.filter(load__status=Load.Status.RUNNING).values("appliance")
    by_hand = (
        Appliance.objects.filter(status=Appliance.Status.RUNNING)
        .exclude(pk__in=in_loads)
        .select_related("stage", "kind")
        .order_by("stage_since")
    )
    hands = list(by_hand)
    usual = {
        (kind, stage): minutes
        for kind, stage, minutes in RouteStage.objects.values_list("kind_id", "stage_id", "minutes")
    }
    starts = {
        e.appliance_id: e
        for e in StageEvent.objects.filter(
            appliance__in=hands, action=StageEvent.Action.START, undone_by=None
        )
        .select_related("by")
        .order_by("seq")
    }
    # Only the newest start of each: what earlier stages took acts no more.
    uses = LotUse.objects.select_related("lot__material").only(
        "event_id", "lot__material__contact_minutes"
    )
    prefetch_related_objects(
        list(starts.values()),
        Prefetch("program", Program.objects.only("minutes")),
        Prefetch("lot_uses", uses),
    )
    for appliance in hands:
        if appliance.stage is None:
            continue
        minutes = usual.get((appliance.kind_id, appliance.stage_id or 0))
        start = starts.get(appliance.pk)
        acting = acts_until(start) if start else None
        end = appliance.stage_since + dt.timedelta(minutes=minutes) if minutes else None
        runs.append(
            Run(
                None,
                appliance,
                appliance.stage,
                1,
                appliance.stage_since,
                acting or end,
                start.by if start else None,
                told=acting is not None,
            )
        )
    return runs


def bench_version(undo: StageEvent | None) -> str:
    """Return a digest that changes whenever the bench page would look different.

    ``undo``: the move that its reader may take back.
    """
    now = timezone.now()
    return version_of(
        newest(StageEvent, Plan, Promise),
        list(
            Load.objects.filter(status=Load.Status.FILLING)
            .annotate(n=Count("items"))
            .values_list("pk", "machine_id", "n")
        ),
        Machine.objects.filter(state=Machine.State.READY).count(),
        f"{now:%H:%M}",  # lateness is a matter of minutes
        undo is not None,
    )


def undo_offer(user: User, now: dt.datetime | None = None) -> StageEvent | None:
    """Return the person's last move while it can still be taken back."""
    now = now or timezone.now()
    event = (
        StageEvent.objects.filter(by=user)
        .select_related("appliance", "stage", "to_stage", "load")
        .order_by("-pk")
        .first()
    )
    if event is None or now - event.recorded_at > dt.timedelta(seconds=UNDO_SECONDS):
        return None
    if event.action in (
        StageEvent.Action.UNDO,
        StageEvent.Action.OPEN,
        StageEvent.Action.REMAKE,
    ):
        return None
    return event if event.seq == event.appliance.seq else None

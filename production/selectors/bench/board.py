"""Reads for the bench: what to do next at each station, what runs, what is late.

Every function takes a fixed number of queries, however much is on the bench.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.db.models import Count, Prefetch, prefetch_related_objects
from django.utils import timezone

from clinic.models import Office, User
from production.bench.acting import acts_until
from production.bench.fold import HANDOVER_STAGE
from production.bench.training import with_trained
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


def standing_promises(appliances: Iterable[Appliance]) -> dict[int, Promise]:
    """Return the promises that hold for the appliances' orders, by order."""
    orders = {a.order_id for a in appliances}
    holding = Promise.objects.filter(superseded_at=None, order__in=orders)
    return {p.order_id: p for p in holding.only("order_id", "due_at", "p_late")}


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
    appliances: Sequence[Appliance],
    order: dict[tuple[str, int], Planned],
    risk_limit: float,
    now: dt.datetime,
) -> list[Task]:
    """Return tasks sorted by plan, promise and age."""
    route, promises = places(), standing_promises(appliances)
    tasks = []
    for appliance in appliances:
        promise = promises.get(appliance.order_id)
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
    stages = {s.pk: s for s in with_trained(Stage.objects.exclude(code=HANDOVER_STAGE))}
    waiting = list(
        Appliance.objects.filter(
            status__in=[Appliance.Status.WAITING, Appliance.Status.HELD, Appliance.Status.RUNNING],
            order__cancelled_at=None,
            stage__in=stages,
        )
        .only("code", "arch", "order", "kind", "stage", "status", "seq", "created_at", "ready_at")
        .prefetch_related("kind")
    )
    for appliance in waiting:
        appliance.stage = stages[appliance.stage_id or 0]
    tasks = tasks_of(waiting, order, office.risk_limit, now)
    stations = {pk: Station(stage) for pk, stage in stages.items()}
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
        .prefetch_related("stage", "machine")
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


def runs_now() -> list[Run]:
    """Return what runs: loads on machines, then work by hand, the first to end first."""
    running = (
        Appliance.objects.filter(status=Appliance.Status.RUNNING)
        .only("code", "kind", "stage", "status", "stage_since")
        .prefetch_related("stage")
        .order_by("stage_since")
    )
    pieces = {piece.pk: piece for piece in running}
    places = LoadItem.objects.filter(load__status=Load.Status.RUNNING)
    inside = list(places.order_by().values_list("appliance_id", "load_id"))
    counts = Counter(load for piece, load in inside if piece in pieces)
    loads = Load.objects.filter(status=Load.Status.RUNNING).order_by("expected_end")
    runs = [
        Run(load, None, load.stage, counts[load.pk], load.started_at, load.expected_end)
        for load in loads.prefetch_related("stage", "machine")
    ]
    in_loads = {piece for piece, _ in inside}
    hands = [piece for piece in pieces.values() if piece.pk not in in_loads]
    usual = {
        (kind, stage): minutes
        for kind, stage, minutes in RouteStage.objects.values_list("kind_id", "stage_id", "minutes")
    }
    starts = {
        e.appliance_id: e
        for e in StageEvent.objects.filter(
            appliance__in=hands, action=StageEvent.Action.START, undone_by=None
        )
        .only("appliance", "at", "by", "program")
        .order_by("seq")
    }
    # Only the newest start of each: what earlier stages took acts no more.
    uses = LotUse.objects.select_related("lot__material").only(
        "event_id", "lot__material__contact_minutes"
    )
    prefetch_related_objects(
        list(starts.values()),
        "by",
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
    # The person's last move is nearly always too old: what it was about is read only if not.
    last = StageEvent.objects.filter(by=user).order_by("-pk").only("action", "recorded_at").first()
    if last is None or now - last.recorded_at > dt.timedelta(seconds=UNDO_SECONDS):
        return None
    if last.action in (
        StageEvent.Action.UNDO,
        StageEvent.Action.OPEN,
        StageEvent.Action.REMAKE,
    ):
        return None
    wanted = ("appliance", "stage", "load", "follows__appliance", "follows__stage", "follows__load")
    event = StageEvent.objects.select_related(*wanted).get(pk=last.pk)
    return event.root if event.seq == event.appliance.seq else None

"""The bench as it is now, as a planning problem.

People are resources of kind ``technician``, one each; a stage without a machine is
their work, a machine's stage holds one of them while it is attended, or while a
load is put on. Chairs take the scans. Delivery is the patient's: a promise is kept
when the appliances are ready.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Exists, Max, OuterRef, Q, QuerySet
from django.utils import timezone

from clinic.models import Absence, Office
from production.bench import training
from production.bench.fold import SCAN_STAGE
from production.models import (
    Appliance,
    ApplianceKind,
    Downtime,
    LearnedTimes,
    Machine,
    Order,
    Plan,
    Promise,
    RouteStage,
    Stage,
    StageEvent,
    Wish,
)
from production.planning.entities import Label
from production.planning.policy import RULES, among
from production.scheduling.hours import FOR_GOOD, minutes_after, open_spans, windows
from production.scheduling.learning import ENOUGH, believed, factor, group, newest
from production.scheduling.presence import Presence, presence
from production.scheduling.rates import failure_rates

PICKUP_GRID = 5.0
LOADING_MINUTES = 3.0
CHAIR = "chair"
MAKE_AHEAD_WEIGHT = 0.3
DAY_SPREAD = 0.08
LAST_STAGE = "delivery"
IN_WORK = (Appliance.Status.WAITING, Appliance.Status.RUNNING)


@dataclass
class Situation:
    """A problem and what its ids mean."""

    origin: dt.datetime
    problem: dict[str, Any]
    state: str
    appliances: dict[str, Appliance] = field(default_factory=dict)
    machines: dict[str, Machine] = field(default_factory=dict)
    promises: dict[str, Promise] = field(default_factory=dict)
    routes: dict[int, list[RouteStage]] = field(default_factory=dict)
    presence: dict[int, Presence] = field(default_factory=dict)
    trained: dict[int, set[int]] = field(default_factory=dict)
    learned: LearnedTimes | None = None

    def moment(self, minutes: float) -> dt.datetime:
        """Return the instant ``minutes`` after the origin."""
        return self.origin + dt.timedelta(minutes=minutes)


def digest(kept: dict[int, set[int]] | None = None) -> str:
    """Return a digest of everything a plan depends on but the time of day.

    ``kept``: whom stages are kept for, where the caller has read it.
    """
    kept = training.kept_for() if kept is None else kept
    facts = (
        StageEvent.objects.aggregate(m=Max("pk"))["m"],
        Promise.objects.aggregate(m=Max("pk"))["m"],
        Order.objects.filter(cancelled_at__isnull=False).count(),
        list(Machine.objects.order_by("pk").values_list("pk", "state", "capacity", "layer_mm")),
        Downtime.objects.aggregate(m=Max("pk"))["m"],
        list(Absence.objects.order_by("pk").values_list("pk", "starts_at", "ends_at")),
        list(Wish.objects.order_by("pk").values_list("pk", "at")),
        sorted((stage, sorted(people)) for stage, people in kept.items()),
        list(RouteStage.objects.order_by("pk").values_list("pk", "minutes", "spread", "position")),
    )
    return hashlib.sha256(repr(facts).encode()).hexdigest()


def read_situation(now: dt.datetime | None = None, *, anew: bool = False) -> Situation:
    """Build the problem of the present state, in a fixed number of queries.

    ``anew`` leaves out what the latest plan keeps back: the next one decides it afresh.
    """
    office = Office.get()
    # In UTC, where adding minutes is adding time: in a zone it would move the clock's hands.
    origin = (now or timezone.now()).astimezone(dt.UTC).replace(second=0, microsecond=0)
    spans = open_spans(office, origin)
    local = origin.astimezone(office.zone)
    rates = failure_rates()
    kept = training.kept_for()
    situation = Situation(origin=origin, problem={}, state=digest(kept), trained=kept)
    situation.routes = routes()
    situation.learned = newest()
    machines = list(
        Machine.objects.exclude(state=Machine.State.RETIRED).prefetch_related("downtimes")
    )
    situation.machines = {f"m{m.pk}": m for m in machines}
    staffed = windows(spans, origin)
    batch_kinds = {
        r.stage.machine_kind for route in situation.routes.values() for r in route if r.stage.batch
    }
    resources: list[dict[str, Any]] = [
        {
            "id": f"m{m.pk}",
            "kind": m.kind,
            "capacity": m.capacity,
            "batch": m.kind in batch_kinds,
            "open": staffed,
            "down": _down(m, origin),
            "failure": rates.machine(m),
            "repair": 10.0,
        }
        for m in machines
    ]
    situation.presence = presence(spans, technicians(), origin)
    stages = {r.stage_id: r.stage for route in situation.routes.values() for r in route}
    for pk, person in situation.presence.items():
        resources.append(
            {
                "id": f"p{pk}",
                "kind": "technician",
                "open": person.open(origin),
                "down": person.down(origin),
                "skills": [
                    _skill(stages[stage])
                    for stage, people in sorted(situation.trained.items())
                    if pk in people and stage in stages
                ],
            }
        )
    if not situation.presence:
        resources.append({"id": "p0", "kind": "technician", "open": staffed})
    for number in range(office.chairs):
        resources.append({"id": f"chair{number + 1}", "kind": CHAIR, "open": staffed})
    jobs = _jobs(situation, office)
    rule, held = _in_force()
    if held and not anew:
        leave_alone(situation, jobs, held["codes"], dt.datetime.fromisoformat(held["until"]))
    situation.problem = {
        "objective": "promises",
        "resources": resources,
        "jobs": jobs,
        **_day(situation.learned, local.date()),
        # Of the jobs that the rule names those that are at hand remain.
        "policy": among(rule, {str(job["id"]) for job in jobs}),
        "clock": local.hour * 60.0 + local.minute,
        "risk_limit": office.risk_limit,
        "pickup": staffed,
        "grid": PICKUP_GRID,
    }
    return situation


def technicians() -> list[int]:
    """Return the primary keys of those whose hands the plan counts on."""
    return list(training.technicians().order_by("pk").values_list("pk", flat=True))


def _day(learned: LearnedTimes | None, today: dt.date) -> dict[str, float]:
    """Return what is known of the factor common to a day, and of today's."""
    if learned is None or learned.records < ENOUGH:
        return {"day_spread": DAY_SPREAD}
    known = {"day_spread": learned.day_spread}
    if learned.day == today:
        known |= {"day_shift": learned.day_shift, "day_spread_today": learned.day_spread_today}
    return known


def _in_force() -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the dispatch rule of the latest plan, and what it keeps back until when.

    Until the next plan all questions keep to both: two rules may be as good as each other and
    yet favour different patients, so that a promise quoted under one would be at risk under the
    other.
    """
    latest = Plan.objects.order_by("-pk")
    rule, held = latest.values_list("foresight__policy", "foresight__kept_back").first() or ({}, {})
    return (rule if rule and rule.get("rule") in RULES else {}), held or {}


def leave_alone(
    situation: Situation,
    jobs: Collection[dict[str, Any]],
    codes: Collection[Label],
    until: dt.datetime,
) -> None:
    """Let the next step of these jobs not begin before then."""
    moment = minutes_after(situation.origin, until)
    if moment <= 0.0:
        return
    for job in jobs:
        step = next((s for s in job["steps"] if not s.get("done")), None)
        if job["id"] in codes and step is not None and "started" not in step:
            step["not_before"] = max(step.get("not_before", 0.0), moment)


def routes() -> dict[int, list[RouteStage]]:
    """Return each appliance kind's route in order."""
    found: dict[int, list[RouteStage]] = {
        pk: [] for pk in ApplianceKind.objects.values_list("pk", flat=True)
    }
    for entry in RouteStage.objects.select_related("stage").order_by("kind", "position"):
        found[entry.kind_id].append(entry)
    return found


def steps_of(
    situation: Situation, kind_id: int, height_mm: float, sheet: int | None = None
) -> list[tuple[RouteStage, dict[str, Any]]]:
    """Return the planner's steps of a route, without progress, delivery left out.

    ``sheet`` is the primary key of the order's sheet, where it is known.
    """
    return [
        (entry, _step(situation, entry, height_mm, sheet))
        for entry in situation.routes.get(kind_id, [])
        if entry.stage.code != LAST_STAGE
    ]


def _step(
    situation: Situation, entry: RouteStage, height_mm: float, sheet: int | None
) -> dict[str, Any]:
    stage = entry.stage
    grouped = group(stage.code, entry.minutes)
    learned = believed(situation.learned, grouped)
    minutes, spread = learned or (entry.minutes, entry.spread)
    minutes *= factor(situation.learned, grouped, "material", sheet)
    step: dict[str, Any] = {
        "minutes": minutes,
        "spread": spread,
        "size": 1,
        "attended": stage.attended,
    }
    if stage.machine_kind:
        step["kind"] = stage.machine_kind
        step["needs"] = [_skill(stage) if stage.pk in situation.trained else "technician"]
        step["family"] = stage.code
        if not stage.attended:
            step["hands"] = LOADING_MINUTES
    else:
        step["kind"] = CHAIR if stage.code == SCAN_STAGE else "technician"
    own = _own_minutes(situation, stage, grouped, minutes, height_mm)
    if own:
        step["alternatives"] = own
    return step


def _skill(stage: Stage) -> str:
    """Return what the plan calls those whom a stage is kept for; causes are told in these words."""
    return f"technician trained for {stage}"


def _own_minutes(
    situation: Situation, stage: Stage, grouped: str, minutes: float, height_mm: float
) -> dict[str, float]:
    """Return each machine's or person's own time of a stage; empty where all are alike.

    A person whom a stage is not kept for has none.
    """
    machines = {k: m for k, m in situation.machines.items() if m.kind == stage.machine_kind}
    if stage.machine_kind == "printer":
        known = {
            key: machine.print_minutes(height_mm)
            for key, machine in machines.items()
            if machine.minutes_per_mm.get(f"{machine.layer_mm:g}")
        }
        return known if len(known) == len(machines) else {}
    if stage.machine_kind:
        part, names = "machine", {key: machine.pk for key, machine in machines.items()}
    elif stage.code == SCAN_STAGE:
        return {}
    else:
        able = situation.trained.get(stage.pk) or set(situation.presence)
        part, names = "person", {f"p{pk}": pk for pk in situation.presence if pk in able}
    factors = {k: factor(situation.learned, grouped, part, pk) for k, pk in names.items()}
    kept = part == "person" and len(names) < len(situation.presence)
    alike = not kept and all(f == 1.0 for f in factors.values())
    return {} if alike else {key: minutes * f for key, f in factors.items()}


def _jobs(situation: Situation, office: Office) -> list[dict[str, Any]]:
    appliances = list(
        Appliance.objects.filter(status__in=IN_WORK, order__cancelled_at=None)
        .exclude(stage=None)
        .select_related("order", "order__visit", "order__series", "stage", "model")
        .order_by("pk")
    )
    promises = {
        p.order_id: p
        for p in Promise.objects.filter(
            order__in={a.order_id for a in appliances}, superseded_at=None
        )
    }
    running = _running(appliances)
    wishes = {
        (w.appliance_id, w.stage_id): w for w in standing_wishes().filter(appliance__in=appliances)
    }
    jobs = []
    for appliance in appliances:
        promise = promises.get(appliance.order_id)
        job = _job(situation, appliance, promise, running.get(appliance.pk), office, wishes)
        if job is None:
            continue
        situation.appliances[appliance.code] = appliance
        if promise:
            situation.promises[str(appliance.order_id)] = promise
        jobs.append(job)
    return jobs


def _job(
    situation: Situation,
    appliance: Appliance,
    promise: Promise | None,
    start: StageEvent | None,
    office: Office,
    wishes: dict[tuple[int, int], Wish],
) -> dict[str, Any] | None:
    report = appliance.model.report if appliance.model and appliance.model.report else {}
    height = float(report.get("height_mm") or office.cut_height_mm)
    steps = []
    reached = False
    for entry, step in steps_of(situation, appliance.kind_id, height, appliance.order.sheet_id):
        if entry.stage_id == appliance.stage_id:
            reached = True
            if appliance.status == Appliance.Status.RUNNING:
                began = start.at if start else appliance.stage_since
                step["started"] = min(minutes_after(situation.origin, began), 0.0)
                held_by = start and _whose(situation, start, step["kind"])
                if held_by:
                    step["resource"] = held_by
                    if "alternatives" in step:  # whoever has it goes on with it, trained or not
                        step["alternatives"].setdefault(held_by, step["minutes"])
        elif not reached:
            step["done"] = True
        if reached and "started" not in step:
            wish = wishes.get((appliance.pk, entry.stage_id))
            if wish is not None:
                step |= wished(situation, entry.stage, wish)
        steps.append(step)
    if not reached:
        return None
    visit = appliance.order.visit
    release = 0.0
    if appliance.stage and appliance.stage.code == "scan" and visit:
        release = max(0.0, minutes_after(situation.origin, visit.starts_at))
    ahead = appliance.order.purpose == Order.Purpose.MAKE_AHEAD
    return {
        "id": appliance.code,
        "release": release,
        "due": minutes_after(situation.origin, promise.due_at) if promise else None,
        "weight": MAKE_AHEAD_WEIGHT if ahead else 1.0,
        "group": str(appliance.order_id),
        "steps": steps,
    }


def _whose(situation: Situation, start: StageEvent, kind: str) -> str:
    """Return the machine or the person that a started step runs on, as far as it is known."""
    if kind == "technician":
        return f"p{start.by_id}" if start.by_id in situation.presence else ""
    return f"m{start.machine_id}" if f"m{start.machine_id}" in situation.machines else ""


def wished(situation: Situation, stage: Stage, wish: Wish) -> dict[str, Any]:
    """Return what a wish adds to the planner's step; a machine that is down is not insisted on."""
    told: dict[str, Any] = {"first": wish.first}
    if wish.not_before is not None:
        told["not_before"] = max(0.0, minutes_after(situation.origin, wish.not_before))
    machine = situation.machines.get(f"m{wish.machine_id}")
    if machine and machine.state == Machine.State.READY and machine.kind == stage.machine_kind:
        told["resource"] = f"m{machine.pk}"
    return told


def _running(appliances: list[Appliance]) -> dict[int, StageEvent]:
    """Return the latest start event of every running appliance."""
    pks = [a.pk for a in appliances if a.status == Appliance.Status.RUNNING]
    events = StageEvent.objects.filter(appliance__in=pks, action=StageEvent.Action.START)
    return {e.appliance_id: e for e in events.order_by("appliance", "seq")}


def _down(machine: Machine, origin: dt.datetime) -> list[list[float]]:
    spans = []
    open_ended = machine.state == Machine.State.DOWN
    for downtime in machine.downtimes.all():
        start = minutes_after(origin, downtime.starts_at)
        if downtime.ends_at is None:
            if machine.state == Machine.State.DOWN:
                spans.append([min(start, 0.0), FOR_GOOD])
                open_ended = False
            continue
        end = minutes_after(origin, downtime.ends_at)
        if end > 1.0:  # the origin is a whole minute: what ended within it is over
            spans.append([start, end])
            if start <= 0:
                open_ended = False
    if open_ended:
        spans.append([0.0, FOR_GOOD])
    return spans


def standing_promises() -> Any:
    """Return the promises that can still be kept or missed."""
    return Promise.objects.filter(superseded_at=None, kept=None, order__cancelled_at=None).filter(
        Q(order__appliances__status__in=[*IN_WORK, Appliance.Status.HELD])
    )


def standing_wishes() -> QuerySet[Wish]:
    """Return the wishes whose stage has not begun since."""
    begun = StageEvent.objects.filter(
        appliance=OuterRef("appliance"),
        stage=OuterRef("stage"),
        action=StageEvent.Action.START,
        recorded_at__gte=OuterRef("at"),
    )
    return Wish.objects.filter(~Exists(begun))

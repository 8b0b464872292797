"""One day of the demo: planned with the planner, then replayed through the actions.

The durations are drawn at random around the routes' medians with a factor common to
the day; the plan of those durations is what "really" happened. What the office was
told beforehand (its promises) comes from the forecast on the medians.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction

from clinic.models import Office, Patient, Visit
from production import planning
from production.actions import agree_promise, open_order
from production.actions.bench.delivering import deliver
from production.actions.bench.failing import fail, fail_in_load
from production.actions.bench.finishing import card_of, finish, finish_load
from production.actions.bench.loading import create_load, start_load
from production.actions.bench.starting import start
from production.actions.chair.scanning import attach_model, attach_scan
from production.demo.office import Cast
from production.demo.pool import Mouth, model_on_record, scan_on_record
from production.models import (
    Appliance,
    ApplianceKind,
    Handover,
    Load,
    Lot,
    Machine,
    Order,
    RemakeCause,
    RouteStage,
    SeriesStep,
    Stage,
)
from production.scheduling.hours import open_spans, windows

DAY_SPREAD = 0.08
LOADING = 3.0
FAILURES = [("trim", "trim-short"), ("form", "form-thin"), ("print", "print-failed"),
            ("cure", "cure-wrong"), ("form", "form-webbing")]  # fmt: skip
FAILURE_RATE = 0.07


@dataclass
class Job:
    """One order of the day with its appliances and the route it will really take."""

    patient: Patient
    visit: Visit
    kind: ApplianceKind
    mouths: list[Mouth]
    release: float
    steps: list[SeriesStep] = field(default_factory=list)
    failures: dict[int, tuple[str, str]] = field(default_factory=dict)
    appliances: list[Appliance] = field(default_factory=list)
    order: Order | None = None
    due: float = 0.0
    first_stage: str = ""  # of a remake carried over from an earlier day


@dataclass(frozen=True)
class Happening:
    """Something that happens at ``minute`` of the day."""

    minute: float
    rank: int
    what: str
    stage: str
    members: tuple[tuple[int, int], ...]
    machine: str
    failed: tuple[tuple[int, int], ...] = ()


class Day:
    """Plays one day; ``until`` (minutes) leaves the rest of it open.

    ``factor`` multiplies the day's durations; without it, it is drawn.
    """

    def __init__(
        self, cast: Cast, date: dt.date, rng: random.Random, factor: float | None = None
    ) -> None:
        self.cast, self.rng, self.date = cast, rng, date
        self.office = Office.get()
        spans = open_spans(self.office, dt.datetime.combine(date, dt.time(1), self.office.zone), 3)
        self.origin = spans[0][0]
        self.spans = windows(spans, self.origin)
        self.stages = {s.code: s for s in Stage.objects.all()}
        self.cards = {code: card_of(stage) for code, stage in self.stages.items()}
        self.jobs: list[Job] = []
        self.factor = factor or math.exp(rng.gauss(0.0, DAY_SPREAD))
        self.machines = {f"m{m.pk}": m for ms in cast.machines.values() for m in ms}
        self.loads: dict[tuple[str, str, float], Load] = {}
        self.number = 0

    def at(self, minute: float) -> dt.datetime:
        """Return the instant ``minute`` of the day."""
        return self.origin + dt.timedelta(minutes=minute)

    def play(self, until: float = math.inf, *, promise_all: bool = True) -> None:
        """Open the orders, agree on their times, and replay the day up to ``until``."""
        routes = {j.kind.pk: self._route(j.kind) for j in self.jobs}
        true = self._problem(routes, real=True)
        plan = planning.plan(planning.parse_problem(true))
        self._promise(routes)
        with transaction.atomic():
            for happening in sorted(
                self._happenings(plan, routes), key=lambda h: (h.minute, h.rank)
            ):
                if happening.minute <= until:
                    self._do(happening)
            self._deliver(until)

    def _route(self, kind: ApplianceKind) -> list[RouteStage]:
        found = kind.route.select_related("stage").order_by("position")
        return [r for r in found if r.stage.code != "delivery"]

    def _planned(self, job: Job, routes: dict[int, list[RouteStage]]) -> list[RouteStage]:
        """Return the stages that the office expects an appliance of the job to go through."""
        route = [r for r in routes[job.kind.pk] if not (job.steps and r.stage.code == "scan")]
        names = [r.stage.code for r in route]
        return route[names.index(job.first_stage) :] if job.first_stage else route

    def _stages(
        self, job: Job, number: int, routes: dict[int, list[RouteStage]]
    ) -> list[RouteStage]:
        """Return the stages an appliance goes through, those done twice included."""
        route = self._planned(job, routes)
        if number not in job.failures:
            return route
        failed, cause = job.failures[number]
        names = [r.stage.code for r in route]
        restart = RemakeCause.objects.select_related("restart").get(code=cause).restart
        assert restart is not None
        here = names.index(failed)
        return route[: here + 1] + route[names.index(restart.code) :]

    def _problem(
        self, routes: dict[int, list[RouteStage]], *, real: bool, due: bool = False
    ) -> dict[str, Any]:
        resources = [
            {"id": key, "kind": m.kind, "capacity": m.capacity, "batch": m.kind != "forming",
             "open": self.spans}
            for key, m in self.machines.items()
        ]  # fmt: skip
        resources += [
            {"id": f"p{u.pk}", "kind": "technician", "open": self.spans}
            for u in self.cast.technicians
        ]
        resources += [{"id": f"chair{n}", "kind": "chair", "open": self.spans} for n in (1, 2)]
        jobs = []
        for index, job in enumerate(self.jobs):
            for number in range(len(job.mouths)):
                stages = self._stages(job, number, routes) if real else self._planned(job, routes)
                jobs.append(
                    {
                        "id": f"{index}-{number}",
                        "group": str(index),
                        "release": job.release,
                        "due": job.due if due else None,
                        "weight": 0.3 if job.steps else 1.0,
                        "steps": [self._step(r, real) for r in stages],
                    }
                )
        return {
            "resources": resources,
            "jobs": jobs,
            "day_spread": 0.0 if real else DAY_SPREAD,
        }

    def _step(self, entry: RouteStage, real: bool) -> dict[str, Any]:
        stage = entry.stage
        minutes = entry.minutes
        if real:
            minutes = max(minutes * self.factor * math.exp(self.rng.gauss(0, entry.spread)), 1.0)
            if stage.code == "finish":
                minutes = max(minutes, 5.5)
        step: dict[str, Any] = {
            "kind": stage.machine_kind or ("chair" if stage.code == "scan" else "technician"),
            "minutes": minutes,
            "spread": 0.0 if real else entry.spread,
            "attended": stage.attended,
        }
        if stage.machine_kind:
            step |= {"needs": ["technician"], "family": stage.code}
            if not stage.attended:
                step["hands"] = LOADING
        return step

    def _promise(self, routes: dict[int, list[RouteStage]]) -> None:
        """Open the orders and promise what the forecast on the medians allows."""
        forecast = planning.foresee(
            planning.parse_problem(self._problem(routes, real=False)),
            samples=400,
            seed=self.date.toordinal(),
        )
        for group in forecast["groups"]:
            job = self.jobs[int(group["id"])]
            late = group["finish"]["p90"] + (self.rng.uniform(-8, 15) if not job.steps else 90)
            job.due = math.ceil(late / 5) * 5.0
        checked = planning.foresee(
            planning.parse_problem(self._problem(routes, real=False, due=True)),
            samples=400,
            seed=self.date.toordinal(),
        )
        p_late = {int(g["id"]): g["p_late"] for g in checked["groups"]}
        for index, job in enumerate(self.jobs):
            booked = self.at(min(max(job.release - 30.0, 1.0), job.release))
            p_kept = 1.0 - (p_late.get(index) or 0.0)
            if job.order is not None:
                self._agree(job, p_kept, self.at(1.0))
                continue
            job.order = open_order(
                self.cast.doctor,
                job.patient,
                job.kind,
                [m.arch for m in job.mouths],
                visit=job.visit,
                sheet=self.cast.sheets[job.kind.code].material,
                purpose=Order.Purpose.MAKE_AHEAD if job.steps else Order.Purpose.NEW,
                steps=job.steps,
                prescriber=self.cast.doctor,
                key=f"demo-{job.visit.pk}",
                at=booked,
            )
            job.appliances = list(job.order.appliances.order_by("pk"))
            self._agree(job, p_kept, booked)

    def _agree(self, job: Job, p_kept: float, at: dt.datetime) -> None:
        assert job.order is not None
        agree_promise(
            self.cast.desk,
            job.order,
            self.at(job.due),
            p_kept=p_kept,
            key=f"demo-promise-{job.order.pk}",
            at=at,
        )

    def _happenings(
        self, plan: dict[str, Any], routes: dict[int, list[RouteStage]]
    ) -> list[Happening]:
        found = []
        batches: dict[tuple[str, str, float, float], list[tuple[int, int]]] = defaultdict(list)
        bad: dict[tuple[str, str, float, float], list[tuple[int, int]]] = defaultdict(list)
        for step in plan["steps"]:
            index, number = map(int, str(step["job"]).split("-"))
            job = self.jobs[index]
            entry = self._stages(job, number, routes)[step["index"]]
            code = entry.stage.code
            key = (code, str(step["resource"]), step["start"], step["end"])
            batches[key].append((index, number))
            failed = job.failures.get(number)
            first = next(
                i for i, r in enumerate(self._stages(job, number, routes)) if r.stage.code == code
            )
            if failed and failed[0] == code and step["index"] == first:
                bad[key].append((index, number))
        for (code, resource, begin, end), members in batches.items():
            key = (code, resource, begin, end)
            found.append(Happening(begin, 2, "start", code, tuple(members), resource))
            found.append(
                Happening(end, 1, "finish", code, tuple(members), resource, tuple(bad[key]))
            )
        return found

    def _do(self, happening: Happening) -> None:
        at = self.at(happening.minute)
        stage = self.stages[happening.stage]
        if happening.stage == "scan":
            if happening.what == "finish":
                self._scan(happening.members[0], at)
            return
        if stage.batch:
            self._batch(happening, stage, at)
            return
        for index, number in happening.members:
            appliance = self.jobs[index].appliances[number]
            self.number += 1
            key = f"demo-{appliance.code}-{self.number}"
            who = self._hand(happening.machine)
            if happening.what == "start":
                if happening.stage == "prepare":
                    self._model(index, number, appliance, at)
                machine = self.machines.get(happening.machine)
                start(
                    who, appliance, key=key, machine=machine, lots=self._lots(stage, index), at=at
                )
            elif (index, number) in happening.failed:
                cause = RemakeCause.objects.get(code=self.jobs[index].failures[number][1])
                fail(who, appliance, cause=cause, key=key, at=at)
            else:
                finish(
                    who,
                    appliance,
                    key=key,
                    ticks=self._ticks(stage),
                    card=self.cards[stage.code],
                    at=at,
                )

    def _batch(self, happening: Happening, stage: Stage, at: dt.datetime) -> None:
        who = self.rng.choice(self.cast.technicians)
        members = [self.jobs[i].appliances[n] for i, n in happening.members]
        place = (stage.code, happening.machine)
        self.number += 1
        key = f"demo-load-{self.date}-{self.number}"
        if happening.what == "start":
            machine: Machine = self.machines[happening.machine]
            load = create_load(who, stage, machine=machine, appliances=members)
            start_load(who, load, key=key, lots=self._lots(stage, happening.members[0][0]), at=at)
            self.loads[(*place, 0.0)] = load
            return
        load = self.loads.pop((*place, 0.0))
        failed = [self.jobs[i].appliances[n] for i, n in happening.failed]
        if failed:
            index, number = happening.failed[0]
            cause = RemakeCause.objects.get(code=self.jobs[index].failures[number][1])
            fail_in_load(who, load, failed, cause=cause, key=f"{key}-bad", at=at)
        if len(failed) < len(members):
            finish_load(
                who, load, key=key, ticks=self._ticks(stage), card=self.cards[stage.code], at=at
            )
        for appliance in members:
            appliance.refresh_from_db()

    def _scan(self, member: tuple[int, int], at: dt.datetime) -> None:
        index, number = member
        job = self.jobs[index]
        scan = scan_on_record(job.mouths[number], job.patient, self.cast.doctor, job.visit, at)
        appliance = job.appliances[number]
        attach_scan(self.cast.doctor, appliance, scan, key=f"demo-scan-{appliance.code}", at=at)

    def _model(self, index: int, number: int, appliance: Appliance, at: dt.datetime) -> None:
        job = self.jobs[index]
        who = self.cast.technicians[0]
        source = job.steps[number].file if job.steps else None
        model = model_on_record(
            job.mouths[number], who, at, scan=None if job.steps else appliance.scan, source=source
        )
        attach_model(who, appliance, model)

    def _lots(self, stage: Stage, index: int) -> list[Lot]:
        kind = self.jobs[index].kind.code
        asked = {
            "resin": [self.cast.resin],
            "sheet": [self.cast.sheets[kind]] if kind in self.cast.sheets else [],
            "block_out": [self.cast.block_out],
            "disinfectant": [self.cast.disinfectant],
        }.get(stage.needs_lot, [])
        beside = self.cast.beside.get(stage.code)
        return [*asked, beside] if beside else asked

    def _ticks(self, stage: Stage) -> list[str]:
        card = self.cards[stage.code]
        return [i["id"] for i in card.items] if card else []

    def _hand(self, resource: str) -> Any:
        for user in self.cast.technicians:
            if resource == f"p{user.pk}":
                return user
        return self.rng.choice(self.cast.technicians)

    def _deliver(self, until: float) -> None:
        """Hand over what is ready when its patient comes."""
        for job in self.jobs:
            if job.order is None:
                continue
            for appliance in job.appliances:
                appliance.refresh_from_db()
            if any(a.status != Appliance.Status.READY for a in job.appliances):
                continue
            ready = max(a.ready_at for a in job.appliances if a.ready_at)
            comes = max(ready + dt.timedelta(minutes=2), self.at(job.due - self.rng.uniform(0, 8)))
            if comes > self.at(until if until < math.inf else 24 * 60):
                continue
            for appliance in job.appliances:
                self._hand_over(appliance, comes)

    def _hand_over(self, appliance: Appliance, at: dt.datetime) -> None:
        draw = self.rng.random()
        seats = Handover.TryIn.SEATS if draw < 0.95 else Handover.TryIn.ADJUST
        cause = None
        if draw > 0.985:
            seats, cause = Handover.TryIn.NO_SEAT, RemakeCause.objects.get(code="fit-loose")
        deliver(
            self.cast.doctor, appliance, code_on_bag=appliance.code, identity_checked=True,
            try_in=seats, cause=cause, key=f"demo-out-{appliance.code}", at=at,
        )  # fmt: skip

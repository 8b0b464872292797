"""Years of history for measuring: rows written in bulk, shaped like a busy office's record.

Not for looking at patients: names repeat, and scans and models share one file. The events
of every appliance fold to its cached state, as ``production.bench.history`` can check; what
would lie after this moment is left out, so today's appliances stand in mid-work.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction
from django.utils import timezone

from clinic.models import AuditEntry, Office, Patient, Role, User, Visit
from production.bench.codes import new_code
from production.bench.fold import Event, fold
from production.bench.history import cache_of
from production.demo.bulk import Table, mend_sequences
from production.models import (
    Appliance,
    ApplianceKind,
    Handover,
    InstructionCard,
    Load,
    LoadItem,
    Lot,
    LotUse,
    Machine,
    Material,
    Order,
    PreparedModel,
    Program,
    Promise,
    RemakeCause,
    Scan,
    Stage,
    StageEvent,
    StoredFile,
)

CHUNK_DAYS = 20
PATIENTS = 6000
FAIL_RATE = 0.012
REMAKE_RATE = 0.008
LOT_DAYS = 20
#: One lot that goes into half of everything, for the recall at its worst.
LONG_LOT = Material.Kind.DISINFECTANT
STEPS = [
    ("prepare", 6), ("print", 38), ("wash", 12), ("cure", 15), ("block-out", 5), ("form", 5),
    ("trim", 9), ("finish", 8),
]  # fmt: skip
ROUTE = [name for name, _ in STEPS] + ["delivery"]
TOGETHER = ("print", "wash", "cure")
GROUP = 6
AMOUNTS = {"resin": 14.0, "sheet": 1.0, "block_out": 0.3, "disinfectant": 15.0}
MINUTE = dt.timedelta(minutes=1)


@dataclass
class Life:
    """An appliance being written: what happened to it so far, and where it is in the route."""

    pk: int
    order: int
    patient: int
    kind: ApplianceKind
    made_ahead: bool
    at: dt.datetime
    created: dt.datetime
    remake: dict[str, Any] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)
    step: int = 0
    alone: bool = False
    scan: int | None = None
    visit: int | None = None

    def add(self, action: str, stage: str | None, to: str | None, **more: Any) -> None:
        """Add an event at this moment of its life."""
        self.events.append({"action": action, "stage": stage, "to": to, "at": self.at, **more})


class Years:
    """Writes ``appliances`` appliances over ``years`` years up to this moment."""

    def __init__(self, years: float, appliances: int, seed: int = 11) -> None:
        self.rng = random.Random(seed)
        self.office = Office.get()
        self.now = timezone.now()
        today = self.office.today()
        days = [today - dt.timedelta(days=d) for d in range(int(365.25 * years), -1, -1)]
        self.days = [d for d in days if d.isoweekday() <= 5 or d == today]
        self.per_day = appliances / len(self.days)
        self.long_until = self.days[len(self.days) // 2]
        self.stages = {s.code: s for s in Stage.objects.all()}
        self.kinds = list(ApplianceKind.objects.filter(code__in=["retainer", "aligner"]))
        leaves = RemakeCause.objects.exclude(parent=None).select_related("stage", "restart")
        self.causes = {
            code: [c for c in leaves if c.stage and c.stage.code == code] for code in ROUTE
        }
        self.hands = [u.pk for u in User.objects.filter(role=Role.TECHNICIAN)]
        self.doctor, self.desk = (
            User.objects.get(role=r).pk for r in (Role.DOCTOR, Role.FRONT_DESK)
        )
        self.machines: dict[str, list[int]] = {}
        for machine in Machine.objects.all():
            self.machines.setdefault(machine.kind, []).append(machine.pk)
        self.programs = {p.stage.code: p.pk for p in Program.objects.select_related("stage")}
        self.tables = {
            m: Table(m)
            for m in (
                Visit, AuditEntry, Order, Scan, PreparedModel, Appliance, Promise, Load, LoadItem,
                StageEvent, LotUse, Handover,
            )
        }  # fmt: skip
        cards = InstructionCard.objects.select_related("stage").order_by("version")
        events = self.tables[StageEvent]
        self.cards = {
            c.stage.code: (c.pk, events.json("ticks", [i["id"] for i in c.items])) for c in cards
        }
        self.codes = self._codes()
        self.loads = self._load_codes()

    def write(self, say: Callable[[str], None]) -> int:
        """Write everything in chunks of days; return the number of appliances."""
        self.file = StoredFile.objects.create(sha256="0" * 64, size=0).pk
        self.report = self.tables[PreparedModel].json("report", {"volume_ml": AMOUNTS["resin"]})
        self.moved = [
            self.tables[AuditEntry].json("detail", {"before": a, "after": b, "undo": False})
            for a, b in (("planned", "arrived"), ("arrived", "in_chair"), ("in_chair", "done"))
        ]
        patients = self._patients()
        made, due = 0, 0.0
        for first in range(0, len(self.days), CHUNK_DAYS):
            chunk = self.days[first : first + CHUNK_DAYS]
            with transaction.atomic():
                lots = self._lots(chunk[0])
                for day in chunk:
                    due += self.per_day
                    made += self._day(day, int(due) - made, patients, lots)
                for table in self.tables.values():
                    table.write()
            if (first // CHUNK_DAYS) % 10 == 0:
                say(f"{made} appliances, up to {chunk[-1]}")
        mend_sequences(self.tables.values())
        return made

    def _codes(self) -> Iterator[str]:
        seen = set(Appliance.objects.values_list("code", flat=True))
        while True:
            code = new_code()
            if code not in seen:
                seen.add(code)
                yield code

    def _load_codes(self) -> Iterator[str]:
        number = 0
        while True:
            number += 1
            yield f"Y{number:07}"

    def _patients(self) -> list[int]:
        rows = [
            Patient(
                chart_number=f"Y-{n:06}", given_name=f"Given{n % 211}",
                family_name=f"Family{n % 997}", phone=f"01632 96 {n:04}",
                date_of_birth=dt.date(1980 + n % 35, 1 + n % 12, 1 + n % 28),
            )
            for n in range(PATIENTS)
        ]  # fmt: skip
        Patient.objects.bulk_create(rows, batch_size=1000)
        return list(
            Patient.objects.filter(chart_number__startswith="Y-").values_list("pk", flat=True)
        )

    def _lots(self, day: dt.date) -> dict[str, Lot]:
        """Open a lot of each material the bench asks for; close the ones before."""
        found = {}
        at = dt.datetime.combine(day, dt.time(7), self.office.zone)
        for kind in AMOUNTS:
            material = Material.objects.filter(kind=kind).order_by("pk")[0]
            standing = Lot.objects.filter(material=material, closed_at=None).order_by("-pk").first()
            if kind == LONG_LOT and day <= self.long_until and standing is not None:
                found[kind] = standing
                continue
            Lot.objects.filter(material=material, closed_at=None).update(closed_at=at)
            found[kind] = Lot.objects.create(
                material=material, number=f"Y{day:%y%m%d}", received_on=day, opened_at=at,
                expires_on=day + dt.timedelta(days=500), created_at=at,
                quantity=AMOUNTS[kind] * self.per_day * CHUNK_DAYS * 1.2,
            )  # fmt: skip
        return found

    def _day(self, day: dt.date, count: int, patients: list[int], lots: dict[str, Lot]) -> int:
        """Write one day's visits, orders, appliances, loads, events, lots and promises."""
        rng = self.rng
        morning = dt.datetime.combine(day, dt.time(8), self.office.zone).astimezone(dt.UTC)
        opened = sorted(morning + rng.uniform(0, 240) * MINUTE for _ in range(count))
        lives = [self._opened(rng.choice(patients), at) for at in opened if at <= self.now]
        for at in opened[len(lives) :]:
            self.tables[Visit].add(
                patient_id=rng.choice(patients), starts_at=at, kind="debond", status="planned"
            )
        for first in range(0, len(lives), GROUP):
            self._run(lives[first : first + GROUP])
        again = []
        for life in lives:
            new = self._end(life)
            if new is not None:
                self._run([new])
                self._end(new, last=True)
                again.append(new)
        for life in [*lives, *again]:
            self._keep(life, lots)
        return len(lives) + len(again)

    def _opened(self, patient: int, at: dt.datetime) -> Life:
        """Return a new appliance with its order, its visit, and its scan when it is not ahead."""
        rng = self.rng
        kind = rng.choice(self.kinds)
        ahead = rng.random() < 0.5
        life = Life(
            self.tables[Appliance].number(), self.tables[Order].number(), patient, kind, ahead,
            at, at,
        )  # fmt: skip
        life.add("open", None, "scan", by=self.desk)
        life.at += rng.uniform(8, 20) * MINUTE
        if not ahead:
            life.visit = self.tables[Visit].add(
                patient_id=patient, starts_at=at, kind="debond",
                status="done" if life.at <= self.now else "in_chair",
            )  # fmt: skip
            for number, detail in enumerate(self.moved[: 3 if life.at <= self.now else 2]):
                self.tables[AuditEntry].add(
                    at=at + number * MINUTE, user_id=self.desk, action="visit.status",
                    subject="Visit", subject_id=str(life.visit), detail=detail,
                )  # fmt: skip
            if life.at <= self.now:
                life.scan = self.tables[Scan].add(
                    patient_id=patient, visit_id=life.visit, arch="upper", file_id=self.file,
                    uploaded_by_id=self.doctor, uploaded_at=life.at, inspected_at=life.at,
                    upload_key=f"y-{life.pk}", status="inspected", verdict="pass",
                )  # fmt: skip
        life.add("finish", "scan", "prepare", by=self.doctor)
        return life

    def _run(self, lives: list[Life]) -> None:
        """Take a group through the route: alone by hand, together on the machines."""
        for life in lives:
            while life.step < ROUTE.index("print") and self._alone(life):
                pass
        for stage in TOGETHER:
            group = [m for m in lives if not m.alone and m.step == ROUTE.index(stage)]
            if group:
                self._together(stage, group)
        for life in lives:
            while life.step < len(STEPS):
                self._alone(life)

    def _together(self, stage: str, group: list[Life]) -> None:
        rng = self.rng
        start = max(life.at for life in group) + rng.uniform(1, 10) * MINUTE
        minutes = dict(STEPS)[stage]
        end = start + minutes * rng.lognormvariate(0, 0.1) * MINUTE
        machine = rng.choice(self.machines[self.stages[stage].machine_kind])
        load = self._load(stage, machine, start, end, minutes, [m.pk for m in group])
        hand = rng.choice(self.hands)
        made = {"machine": machine, "load": load, "program": self.programs.get(stage), "by": hand}
        for life in group:
            life.at = start
            life.add("start", stage, None, **made)
            life.at = end
            self._result(life, stage, made)

    def _alone(self, life: Life) -> bool:
        rng = self.rng
        stage, minutes = STEPS[life.step]
        life.at += rng.uniform(0, 6) * MINUTE
        start, end = life.at, life.at + minutes * rng.lognormvariate(0, 0.2) * MINUTE
        made: dict[str, Any] = {"by": rng.choice(self.hands), "program": self.programs.get(stage)}
        kind = self.stages[stage].machine_kind
        if kind:
            made["machine"] = rng.choice(self.machines[kind])
            made["load"] = self._load(stage, made["machine"], start, end, minutes, [life.pk])
        life.add("start", stage, None, **made)
        life.at = end
        return self._result(life, stage, made)

    def _result(self, life: Life, stage: str, made: dict[str, Any]) -> bool:
        """Add the finish, or a failure that leads back to where its cause begins again."""
        causes = self.causes[stage]
        if causes and self.rng.random() < FAIL_RATE:
            cause = self.rng.choice(causes)
            back = cause.restart.code if cause.restart else stage
            life.add("fail", stage, back, cause=cause.pk, **made)
            life.step, life.alone = ROUTE.index(back), True
            return False
        life.step += 1
        life.add("finish", stage, ROUTE[life.step], **made)
        return True

    def _load(
        self, stage: str, machine: int, start: dt.datetime, end: dt.datetime, minutes: float,
        members: list[int],
    ) -> int | None:  # fmt: skip
        if start > self.now:
            return None
        over = end <= self.now
        load = self.tables[Load].add(
            code=next(self.loads), stage_id=self.stages[stage].pk, machine_id=machine,
            program_id=self.programs.get(stage), status="done" if over else "running",
            started_at=start, expected_end=start + minutes * MINUTE,
            ended_at=end if over else None, created_at=start, created_by_id=self.hands[0],
        )  # fmt: skip
        for member in members:
            self.tables[LoadItem].add(load_id=load, appliance_id=member)
        return load

    def _end(self, life: Life, last: bool = False) -> Life | None:
        """Hand it over; return the one made in its place when it comes back."""
        rng = self.rng
        ahead = dt.timedelta(days=rng.randint(1, 6)) if life.made_ahead else dt.timedelta()
        life.at += ahead + rng.uniform(5, 120) * MINUTE
        life.add("deliver", "delivery", None, by=self.doctor)
        back = life.at + dt.timedelta(days=rng.randint(3, 60))
        if last or rng.random() > REMAKE_RATE or back > self.now:
            return None
        cause = rng.choice(self.causes["delivery"])
        start = cause.restart.code if cause.restart else "prepare"
        start = start if start in ROUTE else "prepare"
        life.at = back
        life.add("remake", "delivery", None, by=self.doctor, cause=cause.pk)
        new = Life(
            self.tables[Appliance].number(), self.tables[Order].number(), life.patient, life.kind,
            False, back, back, {"remake_of_id": life.pk, "remake_cause_id": cause.pk},
            step=ROUTE.index(start), alone=True, scan=life.scan,
        )  # fmt: skip
        new.add("open", None, start, by=self.doctor)
        return new

    def _keep(self, life: Life, lots: dict[str, Lot]) -> None:
        """Turn a life into rows, as far as it has come by now."""
        rng, tables = self.rng, self.tables
        events = [e for e in life.events if e["at"] <= self.now]
        position = fold(
            [
                Event(n, e["action"], e["at"], stage=e["stage"], to_stage=e["to"])
                for n, e in enumerate(events, start=1)
            ]
        )
        cached = cache_of(position)
        cached["stage_id"] = self.stages[cached.pop("stage")].pk
        purpose = "remake" if life.remake else "make_ahead" if life.made_ahead else "new"
        tables[Order].add(
            life.order, patient_id=life.patient, kind_id=life.kind.pk, created_at=life.created,
            purpose=purpose, visit_id=life.visit, prescriber_id=self.doctor,
            created_by_id=self.desk,
        )  # fmt: skip
        model = None
        if position.stage not in ("scan", "prepare"):
            model = tables[PreparedModel].add(
                scan_id=life.scan, source_id=self.file, file_id=self.file, status="made",
                report=self.report, made_by_id=self.doctor, made_at=life.created,
            )  # fmt: skip
        tables[Appliance].add(
            life.pk, code=next(self.codes), order_id=life.order, kind_id=life.kind.pk,
            arch=rng.choice(["upper", "lower"]), created_at=life.created, scan_id=life.scan,
            model_id=model, **life.remake, **cached,
        )  # fmt: skip
        handed_over = position.delivered_at
        promised = life.created + rng.uniform(330, 560) * MINUTE
        if life.made_ahead:
            promised += dt.timedelta(days=3)
        ready = position.ready_at
        tables[Promise].add(
            order_id=life.order, due_at=promised, agreed_at=life.created,
            p_kept_at_agreement=rng.uniform(0.9, 0.999), ready_at=ready,
            handed_over_at=handed_over, kept=ready <= promised if ready else None,
            told_at=life.created,
        )  # fmt: skip
        for seq, event in enumerate(events, start=1):
            self._event(life, seq, event, lots)

    def _event(self, life: Life, seq: int, event: dict[str, Any], lots: dict[str, Lot]) -> None:
        tables, action = self.tables, event["action"]
        stage = self.stages.get(event["stage"] or "")
        to = self.stages.get(event["to"] or "")
        card, ticks = (None, None)
        if action == "finish" and stage:
            card, ticks = self.cards.get(stage.code, (None, None))
        more = {"ticks": ticks} if ticks is not None else {}
        pk = tables[StageEvent].add(
            appliance_id=life.pk, seq=seq, action=action, stage_id=stage.pk if stage else None,
            to_stage_id=to.pk if to else None, at=event["at"], recorded_at=event["at"],
            by_id=event.get("by"), machine_id=event.get("machine"), load_id=event.get("load"),
            program_id=event.get("program"), cause_id=event.get("cause"), card_id=card,
            key=f"y-{life.pk}-{seq}", **more,
        )  # fmt: skip
        if action == "start" and stage and stage.needs_lot in lots:
            tables[LotUse].add(
                event_id=pk, appliance_id=life.pk, lot_id=lots[stage.needs_lot].pk,
                amount=AMOUNTS[stage.needs_lot],
            )  # fmt: skip
        elif action == "deliver":
            tables[Handover].add(
                appliance_id=life.pk, event_id=pk, at=event["at"], by_id=self.doctor,
                code_checked=True, identity_checked=True, try_in="seats",
            )  # fmt: skip


def write_years(years: float, appliances: int, say: Callable[[str], None]) -> int:
    """Write the history; return the number of appliances."""
    began = timezone.now()
    made = Years(years, appliances).write(say)
    say(f"{made} appliances written in {(timezone.now() - began).total_seconds():.0f} s")
    return made

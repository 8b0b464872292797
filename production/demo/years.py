"""Years of history for measuring: rows written in bulk, shaped like a busy office's record.

Not for looking at patients: names repeat, and scans and models are shared. The events of
every appliance fold to its cached state, as ``production.bench.history`` can check.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Iterator

from django.db import transaction
from django.utils import timezone

from clinic.models import Office, Patient, User
from production.bench.codes import new_code
from production.models import (
    Appliance,
    ApplianceKind,
    Lot,
    LotUse,
    Machine,
    Order,
    Promise,
    RemakeCause,
    Stage,
    StageEvent,
)

CHUNK_DAYS = 10
PATIENTS = 6000
FAIL_RATE = 0.012
STEPS = [
    ("prepare", 6), ("print", 38), ("wash", 12), ("cure", 15), ("block-out", 5), ("form", 5),
    ("trim", 9), ("finish", 8),
]  # fmt: skip
MINUTE = dt.timedelta(minutes=1)


class Years:
    """Writes ``appliances`` appliances over ``years`` years up to yesterday."""

    def __init__(self, years: float, appliances: int, seed: int = 11) -> None:
        self.rng = random.Random(seed)
        self.office = Office.get()
        today = self.office.today()
        span = int(365.25 * years)
        days = [today - dt.timedelta(days=d) for d in range(span, 0, -1)]
        self.days = [d for d in days if d.isoweekday() <= 5]
        self.per_day = appliances / max(len(self.days), 1)
        self.stages = {s.code: s for s in Stage.objects.all()}
        self.kinds = list(ApplianceKind.objects.filter(code__in=["retainer", "aligner"]))
        self.causes = list(RemakeCause.objects.exclude(parent=None))
        self.hands = list(User.objects.filter(role="technician")) or list(User.objects.all())
        self.machines = {m.kind: m for m in Machine.objects.all()}
        self.lots = {lot.material.kind: lot for lot in Lot.objects.select_related("material")}
        self.codes = self._codes()

    def write(self, say: Callable[[str], None]) -> int:
        """Write everything in chunks of days; return the number of appliances."""
        patients = self._patients()
        made, due = 0, 0.0
        for first in range(0, len(self.days), CHUNK_DAYS):
            with transaction.atomic():
                for day in self.days[first : first + CHUNK_DAYS]:
                    due += self.per_day
                    count = int(due) - made
                    self._day(day, count, patients)
                    made += count
            if (first // CHUNK_DAYS) % 10 == 0:
                say(f"{made} appliances, up to {self.days[min(first, len(self.days) - 1)]}")
        return made

    def _codes(self) -> Iterator[str]:
        seen = set(Appliance.objects.values_list("code", flat=True))
        while True:
            code = new_code()
            if code not in seen:
                seen.add(code)
                yield code

    def _patients(self) -> list[Patient]:
        rows = [
            Patient(
                chart_number=f"Y-{n:06}", given_name=f"Given{n % 211}",
                family_name=f"Family{n % 997}",
                date_of_birth=dt.date(1980 + n % 35, 1 + n % 12, 1 + n % 28),
            )
            for n in range(PATIENTS)
        ]  # fmt: skip
        Patient.objects.bulk_create(rows, batch_size=1000, ignore_conflicts=True)
        return list(Patient.objects.filter(chart_number__startswith="Y-"))

    def _day(self, day: dt.date, count: int, patients: list[Patient]) -> None:
        """Write one day's orders, appliances, events, lots and promises."""
        rng, zone = self.rng, self.office.zone
        morning = dt.datetime.combine(day, dt.time(8), zone).astimezone(dt.UTC)
        orders, appliances, events, promises = [], [], [], []
        for _ in range(count):
            at = morning + rng.uniform(0, 240) * MINUTE
            order = Order(
                patient=rng.choice(patients), kind=rng.choice(self.kinds), created_at=at,
                purpose=rng.choice(["new", "make_ahead"]),
            )  # fmt: skip
            orders.append(order)
            appliances.append(
                Appliance(
                    code=next(self.codes), order=order, kind=order.kind,
                    arch=rng.choice(["upper", "lower"]), created_at=at,
                )
            )  # fmt: skip
        Order.objects.bulk_create(orders)
        for appliance in appliances:
            appliance.order_id = appliance.order.pk
            events.append(self._life(appliance))
        Appliance.objects.bulk_create(appliances)
        flat = []
        for appliance, life in zip(appliances, events, strict=True):
            for event in life:
                event.appliance_id = appliance.pk
                event.key = f"y-{appliance.pk}-{event.seq}"
                flat.append(event)
            ready = appliance.ready_at
            promised = appliance.created_at + rng.uniform(210, 420) * MINUTE
            promises.append(
                Promise(
                    order_id=appliance.order_id, due_at=promised, agreed_at=appliance.created_at,
                    p_kept_at_agreement=rng.uniform(0.9, 0.999), ready_at=ready,
                    handed_over_at=appliance.delivered_at, kept=bool(ready and ready <= promised),
                )
            )  # fmt: skip
        StageEvent.objects.bulk_create(flat, batch_size=2000)
        Promise.objects.bulk_create(promises)
        uses = []
        for event in flat:
            kind = {"print": "resin", "form": "sheet"}.get(self._name(event))
            if event.action == "start" and kind in self.lots:
                uses.append(
                    LotUse(event=event, appliance_id=event.appliance_id, lot=self.lots[kind])
                )
        LotUse.objects.bulk_create(uses, batch_size=2000)

    def _name(self, event: StageEvent) -> str:
        return event.stage.code if event.stage else ""

    def _life(self, appliance: Appliance) -> list[StageEvent]:
        """Return the events of one appliance and set its cached state."""
        rng = self.rng
        at = appliance.created_at
        life: list[StageEvent] = []

        def add(action: str, stage: str | None, to: str | None, **more: object) -> None:
            life.append(
                StageEvent(
                    seq=len(life) + 1, action=action, at=at, recorded_at=at,
                    stage=self.stages[stage] if stage else None,
                    to_stage=self.stages[to] if to else None, by=rng.choice(self.hands), **more,
                )
            )  # fmt: skip

        add("open", None, "scan")
        at += rng.uniform(8, 20) * MINUTE
        add("finish", "scan", "prepare")
        appliance.scanned_at = at
        route = [name for name, _ in STEPS] + ["delivery"]
        number = 0
        while number < len(STEPS):
            stage, minutes = STEPS[number]
            at += rng.uniform(0, 6) * MINUTE
            machine = self.machines.get(self.stages[stage].machine_kind)
            add("start", stage, None, machine=machine)
            at += minutes * rng.lognormvariate(0, 0.2) * MINUTE
            if rng.random() < FAIL_RATE:
                add("fail", stage, stage, cause=rng.choice(self.causes))
                appliance.failures += 1
                continue
            add("finish", stage, route[number + 1])
            number += 1
        appliance.ready_at = at
        at += rng.uniform(5, 120) * MINUTE
        add("deliver", "delivery", None)
        appliance.delivered_at = appliance.stage_since = at
        appliance.status = Appliance.Status.DELIVERED
        appliance.stage = self.stages["delivery"]
        appliance.seq = len(life)
        return life


def write_years(years: float, appliances: int, say: Callable[[str], None]) -> int:
    """Write the history; return the number of appliances."""
    began = timezone.now()
    made = Years(years, appliances).write(say)
    say(f"{made} appliances written in {(timezone.now() - began).total_seconds():.0f} s")
    return made

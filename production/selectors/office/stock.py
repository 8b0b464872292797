"""Reads about materials: what is on hand, what planned work will use, who got a lot."""

from __future__ import annotations

import csv
import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from django.db.models import Case, CharField, Count, Func, Q, QuerySet, Sum, Value, When

from clinic.models import AuditEntry, Office, Patient
from production.bench.fit import amount_of
from production.csv_cells import Cells
from production.models import (
    Appliance,
    ApplianceKind,
    Lot,
    LotUse,
    Material,
    RouteStage,
    StageEvent,
)
from production.models.bench import OPEN_STATUSES
from production.scheduling.ahead import ALIGNER, unopened
from production.selectors.office.lot_fates import FATES, IN_IT, fates

SOON = dt.timedelta(days=30)
#: As many uses of resin tell what a model usually takes.
LATEST = 50
#: Above this the whole list of patients is read rather than asked for by number.
MANY = 900


@dataclass
class LotState:
    """A lot with what is left of it."""

    lot: Lot
    used: float
    today: dt.date

    @property
    def left(self) -> float:
        """What should be left, in the material's unit."""
        return max(self.lot.quantity - self.used, 0.0)

    @property
    def expired(self) -> bool:
        """Past its date."""
        return bool(self.lot.expires_on and self.lot.expires_on < self.today)

    @property
    def expires_soon(self) -> bool:
        """Within the month."""
        when = self.lot.expires_on
        return bool(when and self.today <= when < self.today + SOON)

    @property
    def usable(self) -> bool:
        """Whether the bench may take it."""
        return not (self.expired or self.lot.withdrawn or self.lot.closed_at)


@dataclass
class MaterialState:
    """A material with its lots, and what the open work needs."""

    material: Material
    lots: list[LotState] = field(default_factory=list)
    needed: float = 0.0
    #: What aligner steps of the coming four weeks will use that nobody has ordered yet.
    ahead: float = 0.0

    @property
    def on_hand(self) -> float:
        """What usable lots still hold."""
        return sum(s.left for s in self.lots if s.usable)

    @property
    def reorder(self) -> bool:
        """Whether the planned work brings it below its reorder level."""
        return self.short > 0

    @property
    def short(self) -> float:
        """What is missing to stay at the reorder level when the planned work is done."""
        return self.material.reorder_at + self.needed + self.ahead - self.on_hand


def stock(today: dt.date | None = None) -> list[MaterialState]:
    """Return every material in use, in a fixed number of queries."""
    today = today or Office.get().today()
    kept = Material.objects.filter(active=True).prefetch_related("stages")
    states = {m.pk: MaterialState(m) for m in kept}
    lots = list(Lot.objects.filter(closed_at=None).select_related("material"))
    used = used_of(lots)
    for lot in lots:
        if lot.material_id in states:
            states[lot.material_id].lots.append(LotState(lot, used.get(lot.pk, 0.0), today))
    needed, ahead = needs(list(states.values()))
    for pk, state in states.items():
        state.needed, state.ahead = needed[pk], ahead[pk]
    return list(states.values())


def dated(materials: Iterable[MaterialState]) -> list[LotState]:
    """Return the lots past their date or within a month of it that hold something, by date."""
    lots = [s for m in materials for s in m.lots if s.left > 0 and not s.lot.withdrawn]
    return sorted(
        (s for s in lots if s.expired or s.expires_soon),
        key=lambda s: (s.lot.expires_on or s.today, s.lot.pk),
    )


def used_of(lots: Collection[Lot]) -> dict[int, float]:
    """Return how much of each lot was used; what was taken back was not.

    The sum over all uses comes from an index alone; uses taken back are few and found apart.
    """
    uses = LotUse.objects.filter(lot__in=[lot.pk for lot in lots]).order_by()
    used: dict[int, float] = dict(uses.values_list("lot").annotate(n=Sum("amount")))
    # From the few undoing events on, and not by lot, either of which keeps the database from
    # looking through all uses instead; “above 0” finds them by their index, “not null” does not.
    back = StageEvent.objects.filter(undoes__gt=0).order_by().values_list("undoes__lot_uses__lot")
    for lot, amount in back.annotate(n=Sum("undoes__lot_uses__amount")):
        if lot in used:
            used[lot] -= amount
    return used


def needs(states: list[MaterialState]) -> tuple[Counter[int], Counter[int]]:
    """Forecast what the open appliances will use, and what aligner steps not ordered yet will.

    Each stage still ahead takes the lot that it asks for, and the consumables kept for it. The
    steps are those that running series need in the coming four weeks.
    """
    beside: dict[int, list[Material]] = defaultdict(list)
    for state in states:
        if state.material.kind == Material.Kind.CONSUMABLE:
            for stage in state.material.stages.all():
                beside[stage.pk].append(state.material)
    position: dict[tuple[int, int], int] = {}
    asking: dict[int, list[tuple[int, str | Material]]] = defaultdict(list)
    for entry in RouteStage.objects.select_related("stage"):
        position[(entry.kind_id, entry.stage_id)] = entry.position
        takes: list[str | Material] = [entry.stage.needs_lot] if entry.stage.needs_lot else []
        if entry.stage.needs_lot != Material.Kind.CONSUMABLE:
            takes += beside[entry.stage_id]
        asking[entry.kind_id] += [(entry.position, taken) for taken in takes]
    by_kind: dict[str, Material] = {}
    for state in states:
        # Where an order names no material, the one that is on hand is meant.
        known = by_kind.get(state.material.kind)
        if known is None or (state.on_hand and state.material.kind not in by_kind):
            by_kind[state.material.kind] = state.material
    found: Counter[int] = Counter()
    usual = _usual_volume()

    def takes_of(taken: str | Material, sheet: Material | None) -> Material | None:
        if isinstance(taken, Material):
            return taken
        return (sheet if taken == Material.Kind.SHEET else None) or by_kind.get(taken)

    appliances = Appliance.objects.filter(status__in=OPEN_STATUSES).select_related(
        "order__sheet", "model", "stage"
    )
    for appliance in appliances:
        here = position.get((appliance.kind_id, appliance.stage_id or 0), 0)
        for place, taken in asking.get(appliance.kind_id, []):
            if place < here or (place == here and appliance.status == Appliance.Status.RUNNING):
                continue
            material = takes_of(taken, appliance.order.sheet)
            if material:
                amount = amount_of(appliance, material)
                if not amount and material.kind == Material.Kind.RESIN:
                    amount = usual.get(material.pk, 0.0)
                found[material.pk] += amount  # type: ignore[assignment]
    ahead: Counter[int] = Counter()
    aligner = ApplianceKind.objects.filter(code=ALIGNER, active=True).first()
    steps = unopened() if aligner else 0
    for _, taken in asking.get(aligner.pk, []) if aligner and steps else []:
        material = takes_of(taken, None)
        if material:
            resin = material.kind == Material.Kind.RESIN
            each = usual.get(material.pk, 0.0) if resin else material.per_use
            ahead[material.pk] += steps * each  # type: ignore[assignment]
    return found, ahead


def _usual_volume() -> dict[int, float]:
    """Return what a model took of each resin of late, for those that are not prepared yet."""
    latest = LotUse.objects.filter(lot__material__kind=Material.Kind.RESIN, amount__gt=0)
    amounts: dict[int, list[float]] = defaultdict(list)
    for resin, amount in latest.order_by("-pk").values_list("lot__material", "amount")[:LATEST]:
        amounts[resin].append(amount)
    return {resin: sum(taken) / len(taken) for resin, taken in amounts.items()}


def state_of(lot: Lot) -> LotState:
    """Return what is left of one lot."""
    return LotState(lot, used_of([lot]).get(lot.pk, 0.0), Office.get().today())


def count_of(lot: Lot) -> int:
    """Return into how many appliances a lot went."""
    return LotUse.objects.filter(lot=lot).aggregate(n=Count("appliance", distinct=True))["n"]


def page_of(lot: Lot, before: int | None, size: int) -> list[Appliance]:
    """Return ``size`` appliances of a lot, the latest first, from the one after ``before`` on."""
    uses = LotUse.objects.filter(lot=lot)
    if before is not None:
        uses = uses.filter(appliance__lt=before)
    ids = uses.order_by("-appliance").values_list("appliance", flat=True).distinct()[:size]
    rows = Appliance.objects.filter(pk__in=list(ids)).select_related(
        "order__patient", "kind", "stage"
    )
    return list(rows.order_by("-pk"))


@dataclass(frozen=True)
class Recipient:
    """A patient with the appliances that a lot went into, each as the cells of a CSV line."""

    patient: Patient
    rows: list[str]

    @property
    def pieces(self) -> list[Piece]:
        """The appliances, by code; made when asked for, since a list may be long."""
        return [Piece(*cells) for cells in csv.reader(self.rows)]


class Piece(NamedTuple):
    """One appliance of a recall list; ``out`` is the hand-over to the minute (ISO 8601, UTC)."""

    code: str
    arch: str
    kind: str
    status: str
    out: str
    use: str

    @property
    def handed_over(self) -> dt.datetime | None:
        """When it left the office."""
        return dt.datetime.fromisoformat(self.out) if self.out else None

    @property
    def holds_it(self) -> bool:
        """Whether the lot is still in it."""
        return self.use == IN_IT

    @property
    def fate(self) -> str:
        """What became of the lot in it, in words."""
        return FATES[self.use]


class UtcMinute(Func):
    """A time as text to the minute (ISO 8601, UTC), written by the database; no time, no text."""

    output_field = CharField()

    def as_sqlite(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        """Django keeps times on SQLite as text in UTC; to parse it again takes longer."""
        day, minute = (f"substr(%(expressions)s, {part})" for part in ("1, 10", "12, 5"))
        shape = f"COALESCE({day} || 'T' || {minute} || 'Z', '')"
        return self.as_sql(compiler, connection, template=shape, **extra)

    def as_postgresql(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        """The connection's time zone does not matter."""
        minute = """to_char(%(expressions)s AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI"Z"')"""
        return self.as_sql(compiler, connection, template=f"COALESCE({minute}, '')", **extra)


class Joined(Func):
    """Texts, none of them null, one after the other: ``Concat`` guards each pair against null."""

    template = "(%(expressions)s)"
    arg_joiner = " || "
    output_field = CharField()


def recipients(lot: Lot) -> list[Recipient]:
    """Return everybody who got something of a lot, by name, with their appliances by code.

    Seven queries. The database writes an appliance as one text, and patients are read once
    each: a lot of consumables may have gone into a hundred thousand appliances, and taking
    each apart into its cells here takes longer than all the rest.
    """
    went = LotUse.objects.filter(lot=lot).values("appliance")
    quoted, comma = Cells(), Value(",")
    kinds = ApplianceKind.objects.values_list("pk", "name")
    cells = Joined(
        "code", comma, "arch", comma,
        Case(*(When(kind=pk, then=Value(quoted(name))) for pk, name in kinds)), comma,
        Case(*(When(status=s, then=Value(quoted(w))) for s, w in Appliance.Status.choices)), comma,
        UtcMinute("delivered_at"), Value(f",{IN_IT}"),
    )  # fmt: skip
    held: dict[int, list[str]] = defaultdict(list)
    # Not through a server's cursor, which forgoes parallel plans and answers in small parts.
    rows = Appliance.objects.filter(pk__in=went).order_by().values_list("order__patient", cells)
    for patient, row in rows:
        held[patient].append(row)
    gone = fates(lot)
    named_codes = Appliance.objects.filter(pk__in=list(gone)).order_by()
    for pk, code, patient in named_codes.values_list("pk", "code", "order__patient"):
        rows_of = held[patient]
        place = next(n for n, row in enumerate(rows_of) if row.startswith(f"{code},"))
        rows_of[place] = rows_of[place].removesuffix(IN_IT) + gone[pk]
    shown = ("chart_number", "family_name", "given_name", "date_of_birth", "phone")
    named = Patient.objects.only(*shown).order_by("family_name", "given_name", "pk")
    everybody = named if len(held) > MANY else named.filter(pk__in=list(held))
    return [Recipient(p, sorted(held[p.pk])) for p in everybody if p.pk in held]


def decisions_on(lot: Lot) -> list[AuditEntry]:
    """Return who withdrew or reinstated a lot, when and why, the latest first."""
    entries = AuditEntry.objects.filter(
        subject=Lot._meta.label_lower,
        subject_id=str(lot.pk),
        action__in=("lot withdrawn", "lot reinstated"),
    )
    return list(entries.select_related("user"))


def lots_like(text: str) -> QuerySet[Lot]:
    """Return the lots whose number or material matches."""
    return (
        Lot.objects.select_related("material")
        .filter(Q(number__icontains=text) | Q(material__name__icontains=text))
        .order_by("-created_at")[:100]
    )

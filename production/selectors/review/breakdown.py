"""Where work fails, what the machines and hands were used for, and what an appliance costs."""

from __future__ import annotations

from dataclasses import dataclass, replace

from clinic.models import Office, Role, User
from production.models import Lot, Machine, Material, Stage
from production.selectors.review.facts import Facts
from production.selectors.review.figures import Rate, change
from production.statistics import pareto

#: A range of years has hundreds of lots; the ones with most failures are shown.
SHOWN = 12


@dataclass(frozen=True)
class Line:
    """One stage, machine, lot or person, with its failures and later remakes.

    ``page`` names its own page, where it has one: a machine's key, a lot's number. ``was`` and
    ``remade_before`` are of the range before.
    """

    key: str
    page: str
    name: str
    rate: Rate
    remade: int
    was: Rate
    remade_before: int

    @property
    def change(self) -> str:
        """What may be said of its failures beside the range before."""
        return change(self.rate, self.was, more_is_better=False)


@dataclass(frozen=True)
class Where:
    """Failures and remakes by one way of looking."""

    what: str
    title: str
    lines: list[Line]
    more: int


@dataclass(frozen=True)
class MachineUse:
    """What a machine was used for."""

    machine: Machine
    open_minutes: float
    run_minutes: float
    loads: int
    pieces: int
    #: The same in the range before.
    before: MachineUse | None = None

    @property
    def open_hours(self) -> float:
        """Hours in which it could have run."""
        return self.open_minutes / 60

    @property
    def share(self) -> float | None:
        """Minutes run of the minutes it could have run."""
        return self.run_minutes / self.open_minutes if self.open_minutes > 0 else None

    @property
    def filled(self) -> float | None:
        """Appliances in its loads, of what they could have held."""
        room = self.loads * self.machine.capacity
        return self.pieces / room if room else None


@dataclass(frozen=True)
class HandUse:
    """Minutes of attended work against the open minutes of the technicians."""

    people: int
    open_minutes: float
    minutes: float
    #: The same in the range before.
    before: HandUse | None = None

    @property
    def open_hours(self) -> float:
        """Hours of all technicians."""
        return self.open_minutes / 60

    @property
    def share(self) -> float | None:
        """Minutes worked of the minutes there were."""
        return self.minutes / self.open_minutes if self.open_minutes > 0 else None


@dataclass(frozen=True)
class Cost:
    """What an appliance that became ready took, on average.

    A material without a price stands with 0 money: it is not free, nobody entered what it costs.
    """

    ready: int
    materials: list[tuple[str, str, float]]
    hands: list[tuple[Stage, float]]
    hour_cost: float

    @property
    def priced(self) -> bool:
        """Whether any material that was taken has a price."""
        return self.material > 0

    @property
    def unpriced(self) -> list[str]:
        """Names of the kinds of material that were taken without a price."""
        return [name for _, name, money in self.materials if not money]

    @property
    def material(self) -> float:
        """Money for materials."""
        return sum(money for _, _, money in self.materials)

    @property
    def minutes(self) -> float:
        """Minutes of hands."""
        return sum(minutes for _, minutes in self.hands)

    @property
    def labour(self) -> float:
        """Money for hands."""
        return self.minutes * self.hour_cost / 60

    @property
    def whole(self) -> float:
        """Both."""
        return self.material + self.labour


def where(found: Facts, was: Facts) -> list[Where]:
    """Return failures and remakes by stage, machine, lot and person. Four queries.

    ``was``: what was counted in the range before.
    """
    every = {str(m.pk): m for m in Machine.objects.all()}
    machines = {key: m.name for key, m in every.items()}
    people = {str(u.pk): str(u) for u in User.objects.all()}
    stages = {s.code: s.name for s in Stage.objects.all()}
    numbers = _keys(found, "lot")
    rows = Lot.objects.filter(pk__in=list(numbers)).select_related("material")
    lots = {str(lot.pk): str(lot) for lot in rows}
    return [
        _where(found, was, "stage", "Stage", stages, list(stages)),
        _where(
            found,
            was,
            "machine",
            "Machine",
            machines,
            sorted(machines, key=machines.__getitem__),
            {key: str(m.uuid) for key, m in every.items()},
        ),
        # The lots worth a look first; people in the order of their names, which blames nobody.
        _where(
            found,
            was,
            "lot",
            "Lot",
            lots,
            sorted(lots, key=lambda k: -_bad(found, f"lot:{k}")),
            {k: k for k in lots},
        ),
        _where(found, was, "person", "Started by", people, sorted(people, key=people.__getitem__)),
    ]


def _keys(found: Facts, what: str) -> set[str]:
    names = {*found.tries, *found.remade, *found.failed}
    return {name.partition(":")[2] for name in names if name.startswith(f"{what}:")}


def _bad(found: Facts, key: str) -> int:
    return found.failed[key] + found.remade[key]


def _where(
    found: Facts,
    was: Facts,
    what: str,
    title: str,
    names: dict[str, str],
    order: list[str],
    own: dict[str, str] | None = None,
) -> Where:
    used = _keys(found, what)
    lines = [
        Line(
            key,
            (own or {}).get(key, ""),
            names[key],
            Rate(found.failed[f"{what}:{key}"], found.tries[f"{what}:{key}"]),
            found.remade[f"{what}:{key}"],
            Rate(was.failed[f"{what}:{key}"], was.tries[f"{what}:{key}"]),
            was.remade[f"{what}:{key}"],
        )
        for key in order
        if key in used
    ]
    return Where(what, title, lines[:SHOWN], max(0, len(lines) - SHOWN))


def machines(found: Facts, was: Facts) -> list[MachineUse]:
    """Return the use of every machine that ran in the range or could have, and before."""
    return [
        replace(_use(machine, found), before=_use(machine, was))
        for machine in Machine.objects.all()
        if machine.state != Machine.State.RETIRED or found.loads[str(machine.pk)]
    ]


def _use(machine: Machine, found: Facts) -> MachineUse:
    return MachineUse(
        machine,
        found.open_minutes - found.down_minutes[str(machine.pk)],
        found.run_minutes[str(machine.pk)],
        found.loads[str(machine.pk)],
        found.in_loads[str(machine.pk)],
    )


def hands(found: Facts, was: Facts) -> HandUse:
    """Return the use of the technicians' hands, and before."""
    people = User.objects.filter(role=Role.TECHNICIAN, is_active=True).count()
    now, before = (
        HandUse(
            people,
            max(0.0, people * facts.open_minutes - facts.away_minutes),
            sum(_hand_minutes(facts, code) for code in facts.hand_results),
        )
        for facts in (found, was)
    )
    return replace(now, before=before)


def causes(found: Facts, was: Facts) -> list[tuple[str, int, float, int]]:
    """Return each cause with its count, the share up to it, and its count in the range before.

    The most frequent first; what only happened before comes last.
    """
    rows = [(name, n, share, was.causes[name]) for name, n, share in pareto(dict(found.causes))]
    gone = [(n, name) for name, n in was.causes.items() if n and not found.causes[name]]
    return rows + [(name, 0, 1.0, n) for n, name in sorted(gone, key=lambda g: (-g[0], g[1]))]


def _hand_minutes(found: Facts, code: str) -> float:
    """Minutes of hands at a stage; the average of the timed ones stands in for the others."""
    timed = found.hand_timed[code]
    return found.hand_minutes[code] / timed * found.hand_results[code] if timed else 0.0


def cost(found: Facts) -> Cost | None:
    """Return what an appliance took; None when none became ready."""
    if not found.ready:
        return None
    labels = {kind.value: str(kind.label) for kind in Material.Kind}
    return Cost(
        found.ready,
        [
            (kind, labels.get(kind, kind), money / found.ready)
            for kind, money in sorted(found.material_cost.items(), key=lambda item: -item[1])
        ],
        [
            (stage, _hand_minutes(found, stage.code) / found.ready)
            for stage in Stage.objects.all()
            if found.hand_timed[stage.code]
        ],
        float(Office.get().hour_cost),
    )

"""What a person works on at the bench: an appliance, or a load of them. Start and finish it."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone

from clinic.models import User
from clinic.templatetags.show import clock
from production.actions import move
from production.actions.errors import Refused
from production.actions.finishing import card_of
from production.actions.loading import WITH_ORDER, run_of
from production.bench import fit
from production.bench.acting import acts_until, runs_until, started_by
from production.bench.fold import HANDOVER_STAGE
from production.bench.routes import place, route_of
from production.models import (
    Appliance,
    Downtime,
    InstructionCard,
    Load,
    Lot,
    Machine,
    Material,
    Program,
    Stage,
    StageEvent,
)
from production.selectors.machines import cut_off, down_now, heeds
from production.views.bench_draft import Draft

LOTS_OFFERED = 12
FORGOTTEN = dt.timedelta(minutes=15)
FULL_TIME = "The program had its full time; its start was marked late."


class EndUnknown(Refused):
    """The finish was forgotten: ask when it was, do not guess."""


class EndsEarly(Refused):
    """The program set cannot have run its time yet: ask whether it did."""


@dataclass
class LotChoice:
    """A lot on the shelf, and what speaks for or against it here."""

    lot: Lot
    fit: fit.Fit
    chosen: bool
    #: The one open package of a consumable.
    usual: bool = False


@dataclass
class Subject:
    """An appliance or a load, with its draft."""

    request: HttpRequest
    appliance: Appliance | None = None
    load: Load | None = None
    _stage: Stage | None = field(default=None, repr=False)

    @property
    def name(self) -> str:
        """How a page says what its scans are about: ``appliance:CODE`` or ``load:CODE``."""
        return f"load:{self.load.code}" if self.load else f"appliance:{self.code}"

    @property
    def code(self) -> str:
        """The printed code."""
        if self.load:
            return self.load.code
        return self.appliance.code if self.appliance else ""

    @property
    def stage(self) -> Stage:
        """The stage it is at."""
        if self.load:
            return self.load.stage
        stage = self.appliance.stage if self.appliance else None
        if stage is None:
            raise Refused("It stands at no stage.")
        return stage

    @property
    def url(self) -> str:
        """Its page."""
        return reverse("load" if self.load else "appliance", args=[self.code])

    @cached_property
    def draft(self) -> Draft:
        """What was ticked and scanned for its present step."""
        return Draft(self.request.session, self.name, self._version)

    @property
    def _version(self) -> str:
        if self.load:
            return str(self.load.status)
        return str(self.appliance.seq if self.appliance else 0)

    @property
    def shown(self) -> str:
        """What a page shows of it: where it stands, and the card in which wording.

        A page sends this along with every scan, so that a code is not taken for a step or a
        card that the person has not seen.
        """
        return f"{self._version}.{self.card.version if self._stands and self.card else 0}"

    @property
    def _stands(self) -> bool:
        return self.load is not None or bool(self.appliance and self.appliance.stage_id)

    @property
    def waiting(self) -> bool:
        """Whether its next step is a start."""
        if self.load:
            return self.load.status == Load.Status.FILLING
        assert self.appliance is not None
        return (
            self.appliance.status == Appliance.Status.WAITING and self.stage.code != HANDOVER_STAGE
        )

    @property
    def running(self) -> bool:
        """Whether its next step is a finish."""
        if self.load:
            return self.load.status == Load.Status.RUNNING
        return bool(self.appliance and self.appliance.status == Appliance.Status.RUNNING)

    @cached_property
    def members(self) -> list[Appliance]:
        """The appliances it stands for, with their orders."""
        if self.load:
            rows = self.load.appliances.select_related(*WITH_ORDER).order_by("code")
            return list(rows)
        return [self.appliance] if self.appliance else []

    @cached_property
    def run(self) -> Load | None:
        """The running load an appliance is in; the load itself."""
        if self.load:
            return self.load
        return run_of(self.appliance) if self.appliance and self.running else None

    @cached_property
    def card(self) -> InstructionCard | None:
        """The instruction card of its stage."""
        return card_of(self.stage)

    @cached_property
    def lines(self) -> list[dict[str, Any]]:
        """The card's lines with their ticks."""
        items = self.card.items if self.card else []
        return [{**item, "ticked": item["id"] in self.draft.ticks} for item in items]

    @cached_property
    def machine(self) -> Machine | None:
        """The machine chosen so far."""
        if self.draft.machine:
            return Machine.objects.filter(pk=self.draft.machine).first()
        return self.load.machine if self.load else None

    @cached_property
    def lots(self) -> list[Lot]:
        """The lots chosen so far; a consumable in use is taken unless it was left out."""
        chosen = list(Lot.objects.select_related("material").filter(pk__in=self.draft.lots))
        if self.draft.lots_shown or not self.waiting:
            return chosen
        known = {lot.material_id for lot in chosen}
        usual = [c.lot for c in self.beside if c.usual and c.lot.material_id not in known]
        return [*chosen, *usual]

    @cached_property
    def program(self) -> Program | None:
        """The program chosen so far."""
        if not self.draft.program:
            return None
        return Program.objects.select_related("material").filter(pk=self.draft.program).first()

    @cached_property
    def machines(self) -> list[Machine]:
        """The machines its stage can run on, each with ``busy`` (a load) and ``heed`` set."""
        if not self.stage.machine_kind:
            return []
        machines = list(
            Machine.objects.filter(kind=self.stage.machine_kind).exclude(
                state=Machine.State.RETIRED
            )
        )
        running = Load.objects.filter(status=Load.Status.RUNNING, machine__in=machines)
        busy = {load.machine_id: load for load in running}
        told = heeds(machines)
        for machine in machines:
            machine.busy = busy.get(machine.pk)  # type: ignore[attr-defined]
            machine.heed = told[machine.pk]  # type: ignore[attr-defined]
        return machines

    @property
    def machine_free(self) -> bool:
        """Whether one of them can be started now."""
        return any(
            m.state == Machine.State.READY and not m.busy and not m.heed.down  # type: ignore[attr-defined]
            for m in self.machines
        )

    @property
    def likely_machine(self) -> Machine | None:
        """The machine chosen so far, or the only one there is when it is free."""
        if self.machine is None and len(self.machines) == 1 and self.machine_free:
            return self.machines[0]
        return self.machine

    @cached_property
    def lot_choices(self) -> list[LotChoice]:
        """The lots on the shelf for its stage, those that may be used first."""
        kind = self.stage.needs_lot
        if not kind:
            return []
        lots = list(
            Lot.objects.filter(material__kind=kind, closed_at=None, withdrawn=False)
            .select_related("material")
            .order_by("expires_on", "pk")[:LOTS_OFFERED]
        )
        programs: dict[int, list[Program]] = {}
        rows = Program.objects.filter(stage=self.stage, material__in={x.material_id for x in lots})
        for program in rows.select_related("material").prefetch_related("machines"):
            programs.setdefault(program.material_id, []).append(program)
        today = timezone.localdate()
        choices = [
            LotChoice(
                lot,
                fit.check(
                    lot,
                    self.members,
                    self.stage,
                    self.machine,
                    today,
                    programs.get(lot.material_id, []),
                ),
                lot.pk in self.draft.lots,
            )
            for lot in lots
        ]
        return sorted(choices, key=lambda c: (bool(c.fit.stops), not c.chosen))

    @cached_property
    def beside(self) -> list[LotChoice]:
        """The consumables kept for its stage, beside what the stage asks for."""
        if self.stage.needs_lot == Material.Kind.CONSUMABLE:
            return []
        lots = list(
            Lot.objects.filter(
                material__kind=Material.Kind.CONSUMABLE,
                material__stages=self.stage,
                material__active=True,
                closed_at=None,
                withdrawn=False,
            )
            .select_related("material")
            .prefetch_related("material__stages")
            .order_by("material__name", "expires_on", "pk")[:LOTS_OFFERED]
        )
        today = timezone.localdate()
        in_use = Counter(lot.material_id for lot in lots if lot.opened_at)
        choices = []
        for lot in lots:
            found = fit.check(lot, self.members, self.stage, self.machine, today, [])
            usual = bool(lot.opened_at) and in_use[lot.material_id] == 1 and not found.stops
            choices.append(LotChoice(lot, found, lot.pk in self.draft.lots, usual))
        held = {c.lot.material_id for c in choices if c.chosen}
        for choice in choices:
            if choice.usual and not self.draft.lots_shown and choice.lot.material_id not in held:
                choice.chosen = True
        return choices

    @cached_property
    def programs(self) -> list[Program]:
        """The programs to set for what was chosen; for wash and cure, those of the resin."""
        if self.load and self.load.program:
            return [self.load.program]
        if self.run and self.run.program:
            return [self.run.program]
        materials: Sequence[Material] = [lot.material for lot in self.lots]
        if not self.stage.needs_lot and self.stage.machine_kind:
            materials = list(set(fit.resins_of(self.members).values()))
        found = [p for m in materials for p in fit.programs_for(self.stage, m)]
        return fit.allowed_on(found, self.machine)

    @cached_property
    def acts_until(self) -> dt.datetime | None:
        """Until when what was taken by hand must act or cure; None when nothing has to."""
        if self.appliance is None or not self.running or self.run is not None:
            return None
        start = started_by(self.appliance)
        return acts_until(start) if start else None

    @cached_property
    def should_have_ended(self) -> dt.datetime | None:
        """When the run was to end, once that is so long ago that the finish was forgotten.

        The person is then asked when it really ended; the present time would be a guess.
        """
        if not self.running:
            return None
        slack = FORGOTTEN
        if self.run is not None:
            end = self.run.expected_end
        else:
            assert self.appliance is not None
            entry = place(route_of(self.appliance.kind_id), self.stage)
            usual = dt.timedelta(minutes=entry.minutes if entry else 0.0)
            end = self.appliance.stage_since + usual
            if self.acts_until is not None:
                end = max(end, self.acts_until)
            slack = max(2 * FORGOTTEN, usual)
        return end if end is not None and timezone.now() - end > slack else None

    @cached_property
    def runs_until(self) -> dt.datetime | None:
        """Until when the program of its run has not had its time; None once it is over."""
        return runs_until(self.run) if self.running and self.run is not None else None

    @property
    def wanted(self) -> str:
        """What to scan or choose before it can start; empty when nothing is missing."""
        if not self.waiting:
            return ""
        kind = self.stage.needs_lot
        if kind and not any(lot.material.kind == kind for lot in self.lots):
            return f"the lot of the {Material.Kind(kind).label.lower()}"
        if self.stage.machine_kind and self.machine is None:
            return f"the {self.stage.get_machine_kind_display().lower()}"
        return ""

    def start(self, user: User, key: str) -> None:
        """Start with what the draft holds."""
        options: dict[str, Any] = {
            "machine": self.machine,
            "lots": self.lots,
            "program": self.program,
        }
        if self.load:
            self.load = move.start_load(user, self.load, key=key, **options)
        elif self.appliance:
            move.start(user, self.appliance, key=key, seen=self.appliance.seq, **options)
        self.__dict__.pop("run", None)
        # What was checked before the start need not be checked again.
        self.draft.version = self._version
        self.draft.save()

    @property
    def broken_off(self) -> Downtime | None:
        """The span out of service that its machine fell into while it runs."""
        return down_now(self.run.machine) if self.run else None

    @property
    def cut_off(self) -> str:
        """What to say when its machine goes out of service before the run ends; mostly nothing."""
        span = cut_off(self.run) if self.run else None
        if span is None or self.run is None:
            return ""
        return (
            f"{self.run.machine} goes out of service {clock(span.starts_at)} ({span.reason}), "
            f"before this ends {clock(self.run.expected_end)}."
        )

    def finish(
        self,
        user: User,
        key: str,
        *,
        card: InstructionCard | None = None,
        started_at: dt.datetime | None = None,
        start_unknown: bool = False,
        ended: str = "",
    ) -> None:
        """Finish with the draft's ticks.

        ``ended`` answers when a finish was forgotten: "now", "then" (when it was to end),
        or "unknown"; and when a program seems cut short: "full" (it ran its time).

        Raises
        ------
        EndUnknown
            The run was to end long ago, and nobody has said when it did.
        EndsEarly
            The program has not had its time since the start that was marked.
        """
        until = self.runs_until
        if until is not None and ended != "full":
            raise EndsEarly(
                f"{self.code} runs “{self.run.program}” until "  # type: ignore[union-attr]
                f"{timezone.localtime(until):%H:%M}. Did it run its full time?"
            )
        then = self.should_have_ended
        if then is not None and ended not in {"now", "then", "unknown"}:
            raise EndUnknown(
                f"{self.code} was to end at {timezone.localtime(then):%H:%M}. When did it?"
            )
        ticks = self.draft.ticks
        at = then if ended == "then" else None
        certain = (then is None or ended == "now") and until is None
        note = FULL_TIME if until is not None else ""
        if self.load:
            move.finish_load(
                user,
                self.load,
                key=key,
                ticks=ticks,
                card=card,
                at=at,
                time_certain=certain,
                note=note,
            )
        elif self.appliance:
            move.finish(
                user,
                self.appliance,
                key=key,
                seen=self.appliance.seq,
                ticks=ticks,
                card=card,
                started_at=started_at,
                start_unknown=start_unknown,
                machine=self.machine,
                lots=self.lots,
                program=self.program,
                at=at,
                time_certain=certain,
                note=note,
            )

    def choose_lot(self, lot: Lot) -> fit.Fit:
        """Put a fitting lot into the draft, in place of another of its kind."""
        today = timezone.localdate()
        found = fit.check(lot, self.members, self.stage, self.machine, today)
        if not found.stops:
            same = Lot.objects.filter(pk__in=self.draft.lots, material__kind=lot.material.kind)
            if lot.material.kind == Material.Kind.CONSUMABLE != self.stage.needs_lot:
                same = same.filter(material=lot.material)
            kept = set(self.draft.lots) - set(same.values_list("pk", flat=True))
            self.draft.lots = [*kept, lot.pk]
            self.draft.save()
            for name in ("lots", "beside"):
                self.__dict__.pop(name, None)
        return found

    def choose_machine(self, machine: Machine) -> None:
        """Put the machine into the draft."""
        self.draft.machine = machine.pk
        self.draft.save()
        self.__dict__.pop("machine", None)


def appliance_subject(request: HttpRequest, code: str) -> Subject | None:
    """Return the appliance with this code, ready to work on."""
    # What only some pages and stages ask for is read when they do: a join of all of it costs
    # more than the few rows read by their keys.
    wanted = ("order__patient", "stage", "kind")
    appliance = Appliance.objects.select_related(*wanted).filter(code=code).first()
    return Subject(request, appliance=appliance) if appliance else None


def load_subject(request: HttpRequest, code: str) -> Subject | None:
    """Return the load with this code, ready to work on."""
    load = Load.objects.select_related("stage", "machine", "program").filter(code=code).first()
    return Subject(request, load=load) if load else None


def subject_of(request: HttpRequest, context: str) -> Subject | None:
    """Return what a page's ``context`` names, or None."""
    kind, _, code = context.partition(":")
    if kind in {"appliance", "fail", "handover"}:
        return appliance_subject(request, code)
    if kind == "load":
        return load_subject(request, code)
    return None


def since_words(event: StageEvent) -> str:
    """Say in a few words what an event was, for the offer to take it back."""
    if event.action == StageEvent.Action.DELIVER:
        return f"{event.appliance.code}: handed over"
    what = event.get_action_display().lower()
    where = f" {event.stage}" if event.stage else ""
    of = event.load.code if event.load and event.action in ("start", "finish") else None
    return f"{of or event.appliance.code}:{where} {what}"

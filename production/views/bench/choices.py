"""What can be chosen for a step at the bench: the machine, the lots, the program."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from django.utils import timezone

from production.bench import fit
from production.models import Load, Lot, Machine, Material, Program
from production.selectors.office.machines import heeds
from production.views.bench.standing import Standing

LOTS_OFFERED = 12


@dataclass
class LotChoice:
    """A lot on the shelf, and what speaks for or against it here."""

    lot: Lot
    fit: fit.Fit
    chosen: bool
    #: The one open package of a consumable.
    usual: bool = False


class Choices(Standing):
    """What was chosen so far, and what there is to choose from."""

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

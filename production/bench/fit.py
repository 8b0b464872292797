"""Whether a lot may go into an appliance on a machine, and which program that asks for.

Wrong material is a stop, not a remark: the caller must not go on when there is one.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from production.models import Appliance, Lot, LotUse, Machine, Material, Program, Stage


@dataclass
class Fit:
    """What speaks against using a material here, and the programs to choose from.

    ``allergic`` are the codes of the appliances whose patients' records stop it.
    """

    stops: list[str] = field(default_factory=list)
    allergic: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    programs: list[Program] = field(default_factory=list)


_WORD = re.compile(r"[^\W\d_]{3,}", re.UNICODE)
_COMMON_WORDS = frozenset(
    {"and", "the", "allergy", "allergic", "allergies", "none", "known", "not", "with", "from"}
    | {"free", "reacts", "reaction", "skin", "rash", "severe", "mild", "patient"}
)
# What charts and data sheets call acrylates beside that: abbreviations of the methacrylates
# that dental resins hold (common practice, no source). Any word with “acryl” belongs to them.
_ACRYLATES = frozenset({"mma", "pmma", "hema", "hpma", "egdma", "tegdma", "udma", "gma", "bisgma"})


def _words(text: str) -> set[str]:
    return {w for w in _WORD.findall(text.casefold()) if w not in _COMMON_WORDS}


def allergy_hits(allergies: str, allergens: str) -> list[str]:
    """Return the words of a material's allergens that a patient's record names too.

    Compared word by word, without case; a word of five letters or more also meets one
    that it begins ("acrylate" and "acrylates"), or that ends with it ("methacrylate").
    All names of acrylates count as one: "acrylic", "PMMA" and "HEMA" meet "methacrylate".
    """
    known = _words(allergies)
    hits = []
    for word in sorted(_words(allergens)):
        for other in known:
            short, long = sorted((word, other), key=len)
            related = len(short) >= 5 and (long.startswith(short) or long.endswith(short))
            if word == other or related or (_acrylate(word) and _acrylate(other)):
                hits.append(word)
                break
    return hits


def _acrylate(word: str) -> bool:
    return "acryl" in word or word in _ACRYLATES


def lot_stops(lot: Lot, today: dt.date) -> list[str]:
    """Why the lot itself must not be used any more."""
    stops = []
    if lot.withdrawn:
        stops.append(f"Lot {lot.number} is withdrawn: put it aside.")
    elif lot.closed_at is not None:
        stops.append(f"Lot {lot.number} is marked as used up: take another one.")
    # A use-by date is the last day of use (GS1 General Specifications, AI (17)).
    if lot.expires_on is not None and today > lot.expires_on:
        stops.append(f"Lot {lot.number} expired on {lot.expires_on:%d %b %Y}: put it aside.")
    return stops


def check(
    lot: Lot,
    appliances: Sequence[Appliance],
    stage: Stage,
    machine: Machine | None,
    today: dt.date,
    programs: Sequence[Program] | None = None,
) -> Fit:
    """Compare a lot with the stage, the orders, the patients' allergies and the machine.

    Appliances need ``order.patient`` and ``order.sheet`` loaded. ``programs``: those of
    the stage for this material, if the caller has them at hand.
    """
    material = lot.material
    fit = Fit(stops=lot_stops(lot, today))
    if not stage.needs_lot and material.kind != Material.Kind.CONSUMABLE:
        fit.stops.append(f"{stage} takes no {_kind(material)}: {material} is for another stage.")
        return fit
    if material.kind == Material.Kind.CONSUMABLE and stage.needs_lot != material.kind:
        places = list(material.stages.all())
        if places and stage not in places:
            named = " or ".join(str(place) for place in places)
            fit.stops.append(f"{material} is for {named}, not for {stage}.")
            return fit
    elif stage.needs_lot and material.kind != stage.needs_lot:
        wanted = Material.Kind(stage.needs_lot).label.lower()
        fit.stops.append(f"This is {material}. {stage} takes a lot of {wanted}: scan another.")
        return fit
    for appliance in appliances:
        ordered = appliance.order.sheet
        if material.kind == Material.Kind.SHEET and ordered is not None and ordered != material:
            fit.stops.append(
                f"{appliance.code} was ordered in {ordered}, this is {material}: "
                "take what was ordered."
            )
        hits = allergy_hits(appliance.order.patient.allergies, material.allergens)
        if hits:
            fit.stops.append(
                f"{appliance.code}: the patient's record names an allergy to "
                f"{', '.join(hits)}; {material} contains it. Put it on hold and ask the doctor."
            )
            fit.allergic.append(appliance.code)
        elif known := appliance.order.patient.allergies.strip():
            listed = material.allergens.strip()
            holds = f"lists {listed}" if listed else "lists none"
            fit.cautions.append(
                f"{appliance.code}: on record is an allergy ({known}); {material} {holds}. "
                "Read its data sheet before use."
            )
    if programs is None:
        programs = programs_for(stage, material)
    fit.programs = allowed_on(programs, machine)
    if machine is not None and programs and not fit.programs:
        fit.stops.append(f"No program for {material} is allowed on {machine}.")
    return fit


def _kind(material: Material) -> str:
    return Material.Kind(material.kind).label.lower()


def programs_for(stage: Stage, material: Material) -> list[Program]:
    """Return the programs of a stage for a material, with the machines they name."""
    rows = Program.objects.filter(stage=stage, material=material)
    return list(rows.select_related("material").prefetch_related("machines"))


def allowed_on(programs: Sequence[Program], machine: Machine | None) -> list[Program]:
    """Keep the programs that may run on ``machine``; one that names no machine runs on all."""
    if machine is None:
        return list(programs)
    return [
        p
        for p in programs
        if not p.machines.all() or machine.pk in {m.pk for m in p.machines.all()}
    ]


def resins_of(appliances: Sequence[Appliance]) -> dict[int, Material]:
    """Return the resin each appliance's model was last printed in, by appliance id."""
    uses = (
        LotUse.objects.filter(
            appliance__in=appliances,
            lot__material__kind=Material.Kind.RESIN,
            event__undone_by=None,
        )
        .select_related("lot__material")
        .order_by("event__seq")
    )
    return {use.appliance_id: use.lot.material for use in uses}


def amount_of(appliance: Appliance, material: Material) -> float:
    """Return how much of ``material`` one appliance takes, in the material's unit.

    Resin by the model's volume, as far as it is known (0 when it is not: the link
    stands, the amount is not made up); everything else as the office set it.
    """
    if material.kind != Material.Kind.RESIN:
        return material.per_use
    report = appliance.model.report if appliance.model else None
    volume = float((report or {}).get("volume_ml") or 0.0)
    return volume / 1000 if material.unit.casefold() in {"l", "litre", "liter"} else volume

"""What a scanned or typed code means."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from production.bench import codes, gs1
from production.bench.commands import BY_CODE, CAUSE_PREFIX, PROGRAM_PREFIX, Command
from production.models import Appliance, Load, Lot, Machine, Material, Program, RemakeCause

Thing = Appliance | Load | Machine | Lot | Program | RemakeCause | Command


@dataclass(frozen=True)
class Unknown:
    """Nothing goes by that code; ``words`` say why, as far as can be told."""

    words: str


def look_up(text: str, today: dt.date) -> Thing | Unknown:
    """Find what ``text`` names: a command, appliance, load, machine, lot, cause or program."""
    raw = text.strip(" \r\n\t")
    plain = raw.upper()
    if not plain:
        return Unknown("Nothing was scanned.")
    if plain in BY_CODE:
        return BY_CODE[plain]
    if gs1.looks_like_gs1(raw):
        return _from_gs1(raw, today)
    if plain.startswith(CAUSE_PREFIX):
        cause = RemakeCause.objects.filter(code__iexact=plain[len(CAUSE_PREFIX) :]).first()
        return cause or Unknown(f"There is no cause “{raw}”; print a new bench sheet.")
    if plain.startswith(PROGRAM_PREFIX) and plain[len(PROGRAM_PREFIX) :].isdigit():
        number = int(plain[len(PROGRAM_PREFIX) :])
        program = Program.objects.select_related("material").filter(pk=number).first()
        return program or Unknown(f"There is no program “{raw}”; print a new bench sheet.")
    if plain.startswith("L-") and plain[2:].isdigit():
        lot = Lot.objects.select_related("material").filter(pk=int(plain[2:])).first()
        return lot or Unknown(
            f"There is no lot “{raw}” in stock; take it in on the stock page first."
        )
    return _on_record(raw, plain)


def _on_record(raw: str, plain: str) -> Thing | Unknown:
    machine = Machine.objects.filter(code__iexact=plain).first()
    if machine:
        return machine
    load = Load.objects.select_related("stage", "machine").filter(code=plain).first()
    if load:
        return load
    code = codes.clean(raw)
    appliance = Appliance.objects.select_related("stage", "kind").filter(code=code).first()
    if appliance:
        return appliance
    lots = list(Lot.objects.select_related("material").filter(number__iexact=raw)[:2])
    if len(lots) == 1:
        return lots[0]
    if len(lots) > 1:
        return Unknown(f"Lot {raw} exists for two materials; scan the office's own label (L-…).")
    if gs1.is_gtin(raw):
        return _of_material(raw.zfill(14), None)
    if len(code) == codes.APPLIANCE_LENGTH and not codes.checks(code):
        return Unknown(
            f"“{raw}” has a slip in it: its check character does not agree. "
            "Scan it again, or type it from the label."
        )
    return Unknown(f"Nothing here goes by “{raw[:40]}”. Check the code, or type it by hand.")


def _from_gs1(raw: str, today: dt.date) -> Lot | Unknown:
    try:
        elements = gs1.parse(raw)
        expires = elements.date("17", today)
    except gs1.Gs1Error as error:
        return Unknown(str(error))
    if elements.gtin is None:
        return Unknown("That code names no trade item (AI 01); scan the one with the lot.")
    return _of_material(elements.gtin, elements.lot, expires)


def _of_material(gtin: str, number: str | None, expires: dt.date | None = None) -> Lot | Unknown:
    spellings = {
        gtin,
        gtin.lstrip("0"),
        *(gtin[-n:] for n in (8, 12, 13) if gtin[:-n].strip("0") == ""),
    }
    material = Material.objects.filter(gtin__in=spellings).first()
    if material is None:
        return Unknown(f"No material in stock has the number {gtin}; enter it on the stock page.")
    lots = Lot.objects.select_related("material").filter(material=material)
    if number is None:
        in_use = list(lots.filter(closed_at=None, withdrawn=False)[:2])
        if len(in_use) == 1:
            return in_use[0]
        return Unknown(f"{material}: scan the code that holds the lot, or the office's own label.")
    lot = lots.filter(number__iexact=number).first() or _without_separator(lots, number)
    if lot is None:
        return Unknown(f"Lot {number} of {material} is not in stock yet; receive it first.")
    if expires is not None and expires != lot.expires_on:
        kept = f"{lot.expires_on:%d %b %Y}" if lot.expires_on else "no date"
        return Unknown(
            f"Lot {lot.number}: the label says use by {expires:%d %b %Y}, the stock page "
            f"{kept}. Correct one of them before use."
        )
    return lot


def _without_separator(lots: object, number: str) -> Lot | None:
    """Find the lot of a code whose separator the scanner swallowed.

    The lot's number then runs into the rest of the string; it is taken only when what is
    left over is itself a sound element string, and only one lot in stock fits.
    """
    fitting = []
    for lot in lots:  # type: ignore[attr-defined]
        if not number.upper().startswith(lot.number.upper()):
            continue
        try:
            gs1.parse(number[len(lot.number) :])
        except gs1.Gs1Error:
            continue
        fitting.append(lot)
    return fitting[0] if len(fitting) == 1 else None

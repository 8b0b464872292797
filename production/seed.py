"""What a new office starts with: stages, routes, cards, causes, hours. All of it can be edited.

Durations are starting points (common practice, no source); the office's own
records replace them. Cautions defer to manufacturers' instructions and local rules.
"""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from clinic.models import Office, OpeningHours
from production.models import ApplianceKind, InstructionCard, RemakeCause, RouteStage, Stage

FOLLOW = "Follow the manufacturer's instructions and local rules."

# code, name, machine kind, attended, load name, material kind asked for, icon
STAGES = [
    ("scan", "Scan", "", True, "", "", "scanner"),
    ("prepare", "Prepare", "", True, "", "", "edit"),
    ("print", "Print", "printer", False, "plate", "resin", "machine"),
    ("wash", "Wash", "wash", False, "basket", "", "drop"),
    ("cure", "Cure", "cure", False, "tray", "", "sun"),
    ("block-out", "Block-out", "", True, "", "block_out", "arch-upper"),
    ("form", "Form", "forming", True, "", "sheet", "sheet"),
    ("trim", "Trim", "", True, "", "", "trim"),
    ("finish", "Disinfect and bag", "", True, "", "disinfectant", "bag"),
    ("delivery", "Delivery", "", True, "", "", "people"),
]

# code: (lines as (text, required), caution)
CARDS: dict[str, tuple[list[tuple[str, bool]], str]] = {
    "scan": (
        [
            ("Two identifiers checked with the patient", True),
            ("Teeth dry, cheeks and tongue held away", False),
            ("About 10 mm of tissue beyond the gingival margin, frenum included", False),
        ],
        f"Check allergies on record before any material is chosen. {FOLLOW}",
    ),
    "prepare": (
        [
            ("Code on the model is this appliance's code", True),
            ("Cut height and block-out looked at", True),
        ],
        "The picture advises; a licensed clinician decides.",
    ),
    "print": (
        [
            ("Glass under the tank clean and dry", True),
            ("Tank bottom not touched, no cured bits in the resin", True),
            ("Build plate clean and locked", True),
        ],
        f"Uncured resin can sensitise skin: nitrile gloves and eye protection. {FOLLOW}",
    ),
    "wash": (
        [
            ("Models taken off without torque, from the back, side to side", True),
            ("Wash cycle as set; second bath clean", False),
            ("Dried until no shine of solvent is left", True),
        ],
        f"Alcohol is flammable: ventilate, no flame or spark, lid closed. {FOLLOW}",
    ),
    "cure": (
        [("Models dry", True), ("Program for this resin set", True)],
        f"Do not look into the curing light. Uncured resin: gloves. {FOLLOW}",
    ),
    "block-out": (
        [
            ("Places on the traveler's picture blocked out, no more", True),
            ("No block-out on tooth surfaces the plastic must grip", True),
        ],
        f"Light-cured pastes can sensitise skin: gloves. {FOLLOW}",
    ),
    "form": (
        [
            ("Sheet and program agree with the order", True),
            ("Model level on the platform, release spray if prescribed", False),
        ],
        f"Hot sheet and heater: burns. Vent fumes. {FOLLOW}",
    ),
    "trim": (
        [
            ("Cut line, height and contour as ordered", True),
            ("Lifted off without torque", True),
            ("Edges smoothed", True),
        ],
        f"Hot blade and spinning tools: eye protection; extract the dust. {FOLLOW}",
    ),
    "finish": (
        [
            ("Cleaned, then disinfected for the full contact time on the label", True),
            ("Rinsed and dried within the plastic's heat limit", True),
            ("Code on the bag is this appliance's code", True),
        ],
        f"Heat or the wrong disinfectant deforms or cracks the plastic. {FOLLOW}",
    ),
    "delivery": (
        [],
        "Two identifiers before it leaves the room. Ask about allergies.",
    ),
}

# code: (name, intended use, [(stage, minutes, spread, optional)])
COMMON = [
    ("scan", 10, 0.35, False),
    ("prepare", 6, 0.35, False),
    ("print", 38, 0.08, False),
    ("wash", 12, 0.12, False),
    ("cure", 15, 0.08, False),
    ("block-out", 5, 0.4, True),
    ("form", 5, 0.25, False),
    ("trim", 9, 0.35, False),
    ("finish", 8, 0.25, False),
    ("delivery", 5, 0.4, False),
]
KINDS: list[tuple[str, str, str, list[tuple[str, float, float, bool]]]] = [
    (
        "retainer",
        "Retainer",
        "Holds the teeth in position after orthodontic treatment. Custom-made for one patient.",
        [(c, float(m), s, o) for c, m, s, o in COMMON],
    ),
    (
        "aligner",
        "Aligner",
        "Moves teeth in small steps by a series of removable trays. Custom-made for one patient.",
        [(c, float(m), s, o) for c, m, s, o in COMMON],
    ),
    (
        "mouthguard",
        "Mouthguard",
        "Protects teeth and soft tissue in sport. Custom-made for one patient.",
        [(c, 12.0 if c in {"form", "trim"} else float(m), s, o) for c, m, s, o in COMMON],
    ),
]

# code, name, parent, stage where it shows, stage at which the remake starts
CAUSES = [
    ("scan-fault", "Scan", "", "", ""),
    ("scan-hole", "Hole or blur on a tooth", "scan-fault", "", "scan"),
    ("scan-tissue", "Too little tissue", "scan-fault", "", "scan"),
    ("scan-moved", "Teeth moved since the scan", "scan-fault", "", "scan"),
    ("model-fault", "Model", "", "", ""),
    ("print-failed", "Print failed or came loose", "model-fault", "print", "print"),
    ("print-layer", "Layer lines or warped base", "model-fault", "print", "print"),
    ("model-broken", "Broke when taken off", "model-fault", "wash", "print"),
    ("wash-sticky", "Sticky or white after wash", "model-fault", "wash", "print"),
    ("cure-wrong", "Wrong cure program", "model-fault", "cure", "print"),
    ("model-accuracy", "Model out of tolerance", "model-fault", "", "prepare"),
    ("forming-fault", "Forming", "", "", ""),
    ("form-thin", "Sheet too thin or torn", "forming-fault", "form", "form"),
    ("form-webbing", "Webbing or fold", "forming-fault", "form", "form"),
    ("form-undercut", "Locked in an undercut", "forming-fault", "form", "block-out"),
    ("finish-fault", "Trim and finish", "", "", ""),
    ("trim-short", "Cut too short or uneven", "finish-fault", "trim", "form"),
    ("trim-distorted", "Distorted while trimming", "finish-fault", "trim", "form"),
    ("finish-heat", "Deformed by heat or disinfectant", "finish-fault", "finish", "form"),
    ("fit", "Fit in the mouth", "", "", ""),
    ("fit-tight", "Does not seat", "fit", "delivery", "scan"),
    ("fit-loose", "Loose", "fit", "delivery", "prepare"),
    ("fit-sore", "Presses or is sharp", "fit", "delivery", "trim"),
    ("lost", "Lost or broken by the patient", "", "", "print"),
]


@transaction.atomic
def seed() -> None:
    """Put the starting catalogue into an empty installation; leave an edited one alone."""
    office = Office.get()
    if not office.care_card:
        office.care_card = CARE_CARD
        office.statement = STATEMENT
        office.save()
    if not OpeningHours.objects.exists():
        for weekday in range(1, 6):
            for opens, closes in ((dt.time(8), dt.time(12, 30)), (dt.time(13), dt.time(17, 30))):
                OpeningHours.objects.create(weekday=weekday, opens=opens, closes=closes)
    if Stage.objects.exists():
        return
    stages: dict[str, Stage] = {}
    for position, (code, name, kind, attended, load, lot, icon) in enumerate(STAGES, start=1):
        stages[code] = Stage.objects.create(
            code=code,
            name=name,
            position=position,
            machine_kind=kind,
            attended=attended,
            load_name=load,
            needs_lot=lot,
            icon=icon,
        )
    for code, (lines, caution) in CARDS.items():
        InstructionCard.objects.create(
            stage=stages[code],
            items=[
                {"id": f"{code}-{i}", "text": text, "required": required}
                for i, (text, required) in enumerate(lines, start=1)
            ],
            caution=caution,
        )
    for code, name, use, route in KINDS:
        appliance_kind = ApplianceKind.objects.create(code=code, name=name, intended_use=use)
        for position, (stage, minutes, spread, optional) in enumerate(route, start=1):
            RouteStage.objects.create(
                kind=appliance_kind,
                stage=stages[stage],
                position=position,
                minutes=minutes,
                spread=spread,
                optional=optional,
            )
    causes: dict[str, RemakeCause] = {}
    for position, (code, name, parent, stage, restart) in enumerate(CAUSES, start=1):
        causes[code] = RemakeCause.objects.create(
            code=code,
            name=name,
            parent=causes.get(parent),
            stage=stages.get(stage),
            restart=stages.get(restart),
            position=position,
        )


CARE_CARD = """\
Wear: as your orthodontist told you. Take it out to eat and to drink anything but cool water.
Clean: rinse each time you take it out. Brush it gently every day with a soft brush, cool water.
Heat: no hot water, no dishwasher, not in a hot car. Heat changes its shape.
Keep: in its box, away from pets. Not in a napkin.
Call us: if it does not seat fully, hurts, cracks or is lost, or if your mouth gets red or itchy."""

STATEMENT = """\
This device was made for the exclusive use of the patient named in this record, \
to the prescription of the clinician named in it."""

"""The invented office: people, machines, materials, hours."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.utils import timezone

from clinic.models import Office, OpeningHours, Role, User
from production.models import Lot, Machine, MaintenanceTask, Material, Program, Stage

PASSWORD = "wrenmoor-demo-day"
PEOPLE = [
    ("desk", "Marit", "Solheim", Role.FRONT_DESK),
    ("lab", "Tomas", "Okafor", Role.TECHNICIAN),
    ("lab2", "Jun", "Lindqvist", Role.TECHNICIAN),
    ("doctor", "Helena", "Varga", Role.DOCTOR),
    ("manager", "Piet", "Amundsen", Role.MANAGER),
]
MORNING_HOUR = 10


@dataclass(frozen=True)
class Cast:
    """The people and things that the demo's days are played with."""

    desk: User
    technicians: list[User]
    doctor: User
    resin: Lot
    sheets: dict[str, Lot]
    block_out: Lot
    disinfectant: Lot
    #: Consumables, by the stage at which they are used.
    beside: dict[str, Lot]
    machines: dict[str, list[Machine]]


def zone_with_morning(now: dt.datetime) -> str:
    """Return a time zone in which it is mid-morning now, so that the demo's day is under way."""
    offset = (MORNING_HOUR - now.astimezone(dt.UTC).hour + 12) % 24 - 12
    # The sign of these zone names is the opposite of the usual one (POSIX).
    return "UTC" if offset == 0 else f"Etc/GMT{-offset:+d}"


def furnish() -> Cast:
    """Fill an empty installation, already seeded, with the office's things."""
    office = Office.get()
    office.name = "Wrenmoor Orthodontics"
    office.address = "12 Quay Row\nWrenmoor"
    office.phone = "01632 960 118"
    office.time_zone = zone_with_morning(timezone.now())
    office.save()
    _hours(office)
    users = {n: _person(n, first, last, role) for n, first, last, role in PEOPLE}
    machines = _machines()
    lots = _materials(office.today())
    return Cast(
        desk=users["desk"],
        technicians=[users["lab"], users["lab2"]],
        doctor=users["doctor"],
        resin=lots["resin"],
        sheets={"retainer": lots["sheet-1.0"], "aligner": lots["sheet-0.75"]},
        block_out=lots["block-out"],
        disinfectant=lots["disinfectant"],
        beside={"wash": lots["alcohol"], "finish": lots["bag"]},
        machines=machines,
    )


def _hours(office: Office) -> None:
    """Open on today's weekday too, whatever day the demo is looked at."""
    today = office.today().isoweekday()
    if not OpeningHours.objects.filter(weekday=today).exists():
        for opens, closes in ((dt.time(8), dt.time(12, 30)), (dt.time(13), dt.time(17, 30))):
            OpeningHours.objects.create(weekday=today, opens=opens, closes=closes)


def _person(name: str, first: str, last: str, role: Role) -> User:
    return User.objects.create_user(
        name, password=PASSWORD, first_name=first, last_name=last, role=role
    )


def _machines() -> dict[str, list[Machine]]:
    rows = [
        ("M-PR1", "Printer Heron", "printer", 8),
        ("M-PR2", "Printer Curlew", "printer", 8),
        ("M-WA1", "Wash unit", "wash", 8),
        ("M-CU1", "Curing unit", "cure", 6),
        ("M-FO1", "Forming machine", "forming", 1),
    ]
    found: dict[str, list[Machine]] = {}
    for code, name, kind, capacity in rows:
        printer = kind == "printer"
        machine = Machine.objects.create(
            code=code,
            name=name,
            kind=kind,
            capacity=capacity,
            plate_width_mm=192 if printer else None,
            plate_depth_mm=120 if printer else None,
            minutes_per_mm={"0.1": 1.9, "0.05": 3.6} if printer else {},
            start_minutes=5 if printer else 0,
            in_service_since=dt.date(2025, 3, 3),
        )
        found.setdefault(kind, []).append(machine)
        if printer:
            MaintenanceTask.objects.create(
                machine=machine, name="Check model printed and measured", every_loads=60
            )
            MaintenanceTask.objects.create(
                machine=machine, name="Tank film looked at", every_days=7
            )
        elif kind == "wash":
            MaintenanceTask.objects.create(machine=machine, name="Alcohol changed", every_loads=80)
    return found


def _materials(today: dt.date) -> dict[str, Lot]:
    rows = [
        ("resin", Material.Kind.RESIN, "Model resin, sand", None, "ml", 500, 0.09,
         "methacrylate acrylate", "R2408"),
        ("sheet-1.0", Material.Kind.SHEET, "Clear sheet 1.0 mm", 1.0, "sheet", 40, 2.1, "",
         "S1155"),
        ("sheet-0.75", Material.Kind.SHEET, "Clear sheet 0.75 mm", 0.75, "sheet", 60, 1.9, "",
         "S0738"),
        ("sheet-3.0", Material.Kind.SHEET, "Soft sheet 3.0 mm", 3.0, "sheet", 5, 3.4, "", "S3012"),
        ("block-out", Material.Kind.BLOCK_OUT, "Block-out gel", None, "g", 10, 0.8, "methacrylate",
         "B0091"),
        ("disinfectant", Material.Kind.DISINFECTANT, "Appliance disinfectant", None, "ml", 500,
         0.02, "", "D3317"),
        ("alcohol", Material.Kind.CONSUMABLE, "Isopropyl alcohol", None, "ml", 1000, 0.01, "",
         "A1190"),
        ("bag", Material.Kind.CONSUMABLE, "Bag, resealable", None, "piece", 50, 0.12, "", "G0552"),
    ]  # fmt: skip
    per_use = {"block-out": 0.4, "disinfectant": 15, "alcohol": 20}
    used_at = {"alcohol": "wash", "bag": "finish"}
    stages = {s.code: s for s in Stage.objects.all()}
    lots = {}
    for key, kind, name, thickness, unit, reorder, cost, allergens, number in rows:
        material = Material.objects.create(
            kind=kind,
            name=name,
            thickness_mm=thickness,
            minimum_thickness_mm=0.3 * thickness if thickness else None,
            unit=unit,
            reorder_at=reorder,
            unit_cost=str(cost),
            allergens=allergens,
            contact_minutes=5 if kind == Material.Kind.DISINFECTANT else None,
            per_use=per_use.get(key, 1),
        )
        if key in used_at:
            material.stages.add(stages[used_at[key]])
        lots[key] = Lot.objects.create(
            material=material,
            number=number,
            received_on=today - dt.timedelta(days=30),
            expires_on=today + dt.timedelta(days=300),
            quantity={"ml": 5000, "sheet": 600, "g": 250, "piece": 500}[unit],
            opened_at=timezone.now() if key in used_at else None,
        )
    for stage, key, name, minutes, settings in [
        ("print", "resin", "Models 0.1 mm", 38, {"layer": "0.1 mm", "resin": "sand"}),
        ("cure", "resin", "Models", 15, {"temperature": "60 °C"}),
        ("form", "sheet-1.0", "Sheet 1.0", 5, {"heat": "30 s", "cool": "60 s"}),
        ("form", "sheet-0.75", "Sheet 0.75", 4, {"heat": "25 s", "cool": "60 s"}),
        ("form", "sheet-3.0", "Soft 3.0", 9, {"heat": "95 s", "cool": "150 s"}),
    ]:
        Program.objects.create(
            stage=stages[stage],
            material=lots[key].material,
            name=name,
            minutes=minutes,
            settings=settings,
        )
    return lots

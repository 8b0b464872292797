"""What a new office has still to enter before its first order can be made."""

from __future__ import annotations

from django.urls import reverse

from clinic.models import Office, OpeningHours, Role, User
from production.models import ApplianceKind, Lot, Machine, Material, RouteStage, Stage

__all__ = ["still_missing"]


def still_missing(office: Office) -> list[tuple[str, str]]:
    """Return what is missing, in words, each with the address where it is entered.

    Asked for is what the routes of the appliances on offer need. Nine queries.
    """
    found: list[tuple[str, str]] = []
    if office.name == Office._meta.get_field("name").default:
        found.append(("The office's name, address and clock", reverse("settings-office")))
    if not OpeningHours.objects.exists():
        found.append(("When the office is open", _section("hours")))
    working = set(User.objects.filter(is_active=True).values_list("role", flat=True))
    if Role.DOCTOR not in working:
        found.append(("A doctor: every order names who prescribed it", _section("people")))
    if Role.TECHNICIAN not in working:
        found.append(("A lab technician: the plan goes by their hours", _section("people")))
    if not ApplianceKind.objects.filter(active=True).exists():
        found.append(("An appliance to offer", _section("kinds")))
    stages = Stage.objects.filter(
        pk__in=RouteStage.objects.filter(kind__active=True).values("stage")
    )
    machines = set(
        Machine.objects.exclude(state=Machine.State.RETIRED).values_list("kind", flat=True)
    )
    wanted = dict.fromkeys(stage.machine_kind for stage in stages if stage.machine_kind)
    for kind in wanted:
        if kind not in machines:
            found.append((_one(Stage.MachineKind(kind).label), _section("machines")))
    in_use = set(Material.objects.filter(active=True).values_list("kind", flat=True))
    in_stock = set(
        Lot.objects.filter(closed_at=None, withdrawn=False).values_list("material__kind", flat=True)
    )
    for kind in dict.fromkeys(stage.needs_lot for stage in stages if stage.needs_lot):
        name = str(Material.Kind(kind).label)
        if kind not in in_use:
            found.append((f"Material: {name.lower()}", _section("materials")))
        elif kind not in in_stock:
            found.append((f"A lot in stock: {name.lower()}", reverse("lot-new")))
    return found


def _one(name: str) -> str:
    return f"{'An' if name[0] in 'AEIOU' else 'A'} {name[0].lower()}{name[1:]}"


def _section(slug: str) -> str:
    return reverse("settings-section", args=[slug])

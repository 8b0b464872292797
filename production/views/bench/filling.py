"""What goes into a load: by the plan's order, or on from the load it came out of."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest
from django.urls import reverse

from clinic.middleware import office_of
from production.actions.bench import move
from production.models import Appliance, Load, LoadItem, Machine, Stage
from production.selectors.bench.board import bench_now
from production.views.bench.subject import Subject


def fill_load(request: HttpRequest, load: Load) -> int:
    """Add what waits at the load's stage, in the order of the plan, up to the machine's size."""
    stations = bench_now(office_of(request)).stations
    tasks = next((s.tasks for s in stations if s.stage.pk == load.stage_id), [])
    room = room_in(load.stage, load.machine) or len(tasks)
    inside = set(load.items.values_list("appliance_id", flat=True))
    added = 0
    for task in tasks:
        if len(inside) >= room:
            break
        if task.appliance.pk not in inside:
            move.add_to_load(request.user, load, task.appliance)  # type: ignore[arg-type]
            inside.add(task.appliance.pk)
            added += 1
    words = f"{added} added to {load.code}." if added else f"Nothing more waits for {load.stage}."
    messages.success(request, words)
    return added


def room_in(stage: Stage, machine: Machine | None) -> int:
    """Return how many a machine takes at once, or the largest in service; 0 without one."""
    if machine is not None:
        return machine.capacity
    ready = Machine.objects.filter(kind=stage.machine_kind, state=Machine.State.READY)
    return max(ready.values_list("capacity", flat=True), default=0)


def only_machine(stage: Stage) -> Machine | None:
    """Return the machine of a stage where there is no choice."""
    machines = list(Machine.objects.filter(kind=stage.machine_kind, state=Machine.State.READY))
    return machines[0] if len(machines) == 1 else None


def onward(subject: Subject) -> tuple[Stage, list[Appliance]] | None:
    """Where most of what was in a load waits to run together again, and which, in no load yet."""
    taken = set(
        LoadItem.objects.filter(
            appliance__in=subject.members, load__status=Load.Status.FILLING
        ).values_list("appliance_id", flat=True)
    )
    together: dict[int, list[Appliance]] = {}
    for member in subject.members:
        free = member.status == Appliance.Status.WAITING and member.pk not in taken
        if free and member.stage and member.stage.load_name:
            together.setdefault(member.stage.pk, []).append(member)
    members = max(together.values(), key=len, default=[])
    return (members[0].stage, members) if members else None  # type: ignore[return-value]


def go_onward(request: HttpRequest, subject: Subject) -> str | None:
    """Begin the next load with what came out of this one, as much as one machine takes.

    Returns
    -------
    str or None
        The new load's page; None where nothing goes on together.
    """
    found = onward(subject)
    if found is None:
        return None
    stage, members = found
    machine = only_machine(stage)
    room = room_in(stage, machine) or len(members)
    load = move.create_load(
        request.user,  # type: ignore[arg-type]
        stage,
        machine=machine,
        appliances=members[:room],
    )
    return reverse("load", args=[load.code])

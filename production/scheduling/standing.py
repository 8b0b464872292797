"""The published plan, as the bench reads it: what comes next, where, and when."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from production.models import Machine, Plan, RouteStage
from production.scheduling.ahead import TightWeek
from production.scheduling.state import LAST_STAGE


@dataclass(frozen=True)
class PlannedStep:
    """One step of the plan, in the bench's words."""

    code: str
    index: int
    stage: str
    start: dt.datetime
    end: dt.datetime
    resource: str
    batch: str | None


def latest() -> Plan | None:
    """Return the standing plan, if there is one."""
    return Plan.objects.order_by("-pk").first()


def tight_weeks() -> list[TightWeek]:
    """Return the coming weeks that do not fit, by the standing plan."""
    found = Plan.objects.order_by("-pk").values_list("foresight__tight_weeks", flat=True).first()
    return [
        TightWeek(**(week | {"starts": dt.date.fromisoformat(week["starts"])}))
        for week in found or []
    ]


def planned_steps(plan: Plan | None, kinds: dict[str, int]) -> list[PlannedStep]:
    """Return the plan's steps of the appliances in ``kinds`` (code → kind id), in time order."""
    if plan is None:
        return []
    routes: dict[int, list[str]] = {}
    for kind, stage in (
        RouteStage.objects.filter(kind__in=set(kinds.values()))
        .order_by("kind", "position")
        .values_list("kind_id", "stage__code")
    ):
        if stage != LAST_STAGE:
            routes.setdefault(kind, []).append(stage)
    found = []
    for step in plan.steps:
        code = str(step["job"])
        route = routes.get(kinds.get(code, -1), [])
        if step["index"] < len(route):
            found.append(_step(plan, step, code, route[step["index"]]))
    return sorted(found, key=lambda s: (s.start, s.code))


def _step(plan: Plan, step: dict[str, Any], code: str, stage: str) -> PlannedStep:
    batch = step.get("batch")
    return PlannedStep(
        code=code,
        index=step["index"],
        stage=stage,
        start=plan.origin + dt.timedelta(minutes=step["start"]),
        end=plan.origin + dt.timedelta(minutes=step["end"]),
        resource=str(step["resource"]),
        batch=None if batch is None else str(batch),
    )


def resource_names(resources: list[dict[str, Any]]) -> dict[str, str]:
    """Return what the plan's resource ids are called on the bench."""
    from clinic.models import User

    machines = {f"m{pk}": name for pk, name in Machine.objects.values_list("pk", "name")}
    people = {f"p{u.pk}": str(u) for u in User.objects.filter(role="technician")}
    names = {}
    for resource in resources:
        key = str(resource["id"])
        chair = f"Chair {key.removeprefix('chair')}" if key.startswith("chair") else key
        names[key] = (
            machines.get(key) or people.get(key) or ("Technician" if key == "p0" else chair)
        )
    return names

"""Stage times learnt from this office's marks, and what today's marks say about today."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from typing import Any

from django.db.models import Count, Max, Min
from django.utils import timezone

from clinic.models import Office
from production.models import LearnedTimes, Load, RouteStage, StageEvent
from production.planning.fits import Fits, Record, day_so_far, fit_stages

WINDOW_DAYS = 90
#: Below so many believed records the route's own minutes are better.
ENOUGH = 8
#: What a machine, a person or a sheet adds is told apart from this share of the time on: below
#: it, people and machines are alike to the planner, which is quicker and nearly as right.
CLEAR = 0.1
KEPT = 50
#: The least and the greatest kind and sheet of a load's members: one where they are equal.
MEMBERS = {
    "members": Count("items"),
    "kind_from": Min("items__appliance__kind"),
    "kind_to": Max("items__appliance__kind"),
    "sheet_from": Min("items__appliance__order__sheet"),
    "sheet_to": Max("items__appliance__order__sheet"),
}


Routes = dict[tuple[str, int], float]


def group(stage: str, minutes: float) -> str:
    """Return what records of a stage are fitted as one: those whose routes say the same minutes.

    A thick sheet heats and trims for longer; a route that says so is not averaged away.
    """
    return f"{stage}@{minutes:g}"


def records(since: dt.datetime) -> list[Record]:
    """Return one record for every run of a machine and every piece of hand work since then."""
    routes = _routes()
    return [*_runs(since, routes), *_hands(since, routes)]


def _routes() -> Routes:
    rows = RouteStage.objects.values_list("stage__code", "kind_id", "minutes")
    return {(stage, kind): minutes for stage, kind, minutes in rows}


def _load(row: dict[str, Any], minutes: float, routes: Routes) -> Record | None:
    """Return the record of a load; None where no route of its members has its stage."""
    said = [routes.get((row["stage__code"], row[end])) for end in ("kind_from", "kind_to")]
    known = [told for told in said if told is not None]
    if not known:
        return None
    sheet = row["sheet_from"]
    return Record(
        group(row["stage__code"], max(known)),
        minutes,
        machine=str(row["machine_id"]),
        material=str(sheet) if sheet and sheet == row["sheet_to"] else None,
        together=row["members"],
    )


def _runs(since: dt.datetime, routes: Routes) -> Iterable[Record]:
    zone = Office.get().zone
    rows = (
        Load.objects.filter(status=Load.Status.DONE, ended_at__gte=since, started_at__isnull=False)
        .annotate(**MEMBERS)
        .values("stage__code", "machine_id", "started_at", "ended_at", *MEMBERS)
    )
    for row in rows:
        start, end = row["started_at"], row["ended_at"]
        found = _load(row, (end - start).total_seconds() / 60, routes)
        if found:
            yield found._replace(day=start.astimezone(zone).date().isoformat())


def _hands(since: dt.datetime, routes: Routes) -> Iterable[Record]:
    """Pair the start and finish of hand work; asked-for times and taken-back marks stay out."""
    zone = Office.get().zone
    rows = (
        StageEvent.objects.filter(
            at__gte=since,
            action__in=[StageEvent.Action.START, StageEvent.Action.FINISH],
            stage__machine_kind="",
            undone_by=None,
            time_certain=True,
        )
        .order_by("appliance_id", "seq")
        .values_list(
            "appliance_id",
            "stage__code",
            "action",
            "at",
            "by_id",
            "appliance__kind_id",
            "appliance__order__sheet_id",
        )
    )
    began: tuple[int, str, dt.datetime] | None = None
    for appliance, stage, action, at, by, kind, sheet in rows:
        if action == StageEvent.Action.START:
            began = (appliance, stage, at)
        elif began and began[:2] == (appliance, stage):
            said = routes.get((stage, kind))
            if said is not None:
                yield Record(
                    group(stage, said),
                    (at - began[2]).total_seconds() / 60,
                    material=str(sheet) if sheet else None,
                    person=str(by),
                    day=at.astimezone(zone).date().isoformat(),
                )
            began = None


def learn() -> LearnedTimes:
    """Fit the stage times to the records of the last months; nothing is stored."""
    now = timezone.now()
    found = records(now - dt.timedelta(days=WINDOW_DAYS))
    today = Office.get().today()
    fits = fit_stages(found)
    mark = today.isoformat()
    factor = day_so_far(fits, [r for r in found if r.day == mark], list(_running(now)))
    return LearnedTimes(
        times=_table(fits),
        day_spread=fits.day_spread,
        day=today,
        day_shift=factor.shift,
        day_spread_today=factor.spread,
        records=len(found),
        doubted=len(fits.doubted),
    )


def _running(now: dt.datetime) -> Iterable[Record]:
    routes = _routes()
    rows = (
        Load.objects.filter(status=Load.Status.RUNNING, started_at__isnull=False)
        .annotate(**MEMBERS)
        .values("stage__code", "machine_id", "started_at", *MEMBERS)
    )
    for row in rows:
        found = _load(row, max((now - row["started_at"]).total_seconds() / 60, 0.1), routes)
        if found:
            yield found


def _table(fits: Fits) -> dict[str, list[float]]:
    table = {}
    for stage in fits.levels:
        plain = fits.time(stage)
        if plain is not None:
            table[stage] = [plain.minutes, plain.spread, plain.records]
    for (stage, part, name), effect in fits.effects.items():
        if fits.counts.get(stage, 0) >= ENOUGH and abs(effect) >= math.log1p(CLEAR):
            table[f"{stage}|{part}|{name}"] = [math.exp(effect)]
    return table


def newest() -> LearnedTimes | None:
    """Return what was learnt last."""
    return LearnedTimes.objects.order_by("-pk").first()


def believed(learned: LearnedTimes | None, grouped: str) -> tuple[float, float] | None:
    """Return median minutes and spread of a group when there are enough records of it."""
    if learned is None:
        return None
    found = learned.times.get(grouped)
    if not found or found[2] < ENOUGH:
        return None
    return float(found[0]), float(found[1])


def factor(learned: LearnedTimes | None, grouped: str, part: str, name: object) -> float:
    """Return what a machine, person or material (by primary key) multiplies a group's time by."""
    found = learned.times.get(f"{grouped}|{part}|{name}") if learned else None
    return float(found[0]) if found else 1.0

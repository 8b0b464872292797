"""Stage times learnt from this office's marks, and what today's marks say about today."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable

from django.db.models import Count, Max, Min
from django.utils import timezone

from clinic.models import Office
from production.models import LearnedTimes, Load, StageEvent
from production.planning.fits import Fits, Record, day_so_far, fit_stages

WINDOW_DAYS = 90
#: Below so many believed records the route's own minutes are better.
ENOUGH = 8
#: What a machine, a person or a sheet adds is told apart from this share of the time on: below
#: it, people and machines are alike to the planner, which is quicker and nearly as right.
CLEAR = 0.1
KEPT = 50
#: The least and the greatest sheet of a load's members: one sheet where they are equal.
SHEETS = {
    "sheet_from": Min("items__appliance__order__sheet"),
    "sheet_to": Max("items__appliance__order__sheet"),
}


def records(since: dt.datetime) -> list[Record]:
    """Return one record for every run of a machine and every piece of hand work since then."""
    return [*_runs(since), *_hands(since)]


def _runs(since: dt.datetime) -> Iterable[Record]:
    zone = Office.get().zone
    rows = (
        Load.objects.filter(status=Load.Status.DONE, ended_at__gte=since, started_at__isnull=False)
        .annotate(members=Count("items"), **SHEETS)
        .values_list("stage__code", "machine_id", "started_at", "ended_at", "members", *SHEETS)
    )
    for stage, machine, start, end, members, thin, thick in rows:
        if start and end:
            yield Record(
                stage,
                (end - start).total_seconds() / 60,
                machine=str(machine),
                material=str(thin) if thin and thin == thick else None,
                day=start.astimezone(zone).date().isoformat(),
                together=members,
            )


def _hands(since: dt.datetime) -> Iterable[Record]:
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
            "appliance_id", "stage__code", "action", "at", "by_id", "appliance__order__sheet_id"
        )
    )
    began: tuple[int, str, dt.datetime] | None = None
    for appliance, stage, action, at, by, sheet in rows:
        if action == StageEvent.Action.START:
            began = (appliance, stage, at)
        elif began and began[:2] == (appliance, stage):
            yield Record(
                stage,
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
    rows = (
        Load.objects.filter(status=Load.Status.RUNNING, started_at__isnull=False)
        .annotate(members=Count("items"))
        .values_list("stage__code", "machine_id", "started_at", "members")
    )
    for stage, machine, start, members in rows:
        if start:
            minutes = max((now - start).total_seconds() / 60, 0.1)
            yield Record(stage, minutes, machine=str(machine), together=members)


def _table(fits: Fits) -> dict[str, list[float]]:
    table = {}
    for stage in fits.levels:
        plain = fits.time(stage)
        if plain is not None:
            table[stage] = [plain.minutes, plain.spread, plain.records]
    for (stage, part, name), effect in fits.effects.items():
        if stage in table and abs(effect) >= math.log1p(CLEAR):
            table[f"{stage}|{part}|{name}"] = [math.exp(effect)]
    return table


def newest() -> LearnedTimes | None:
    """Return what was learnt last."""
    return LearnedTimes.objects.order_by("-pk").first()


def believed(learned: LearnedTimes | None, stage: str) -> tuple[float, float] | None:
    """Return median minutes and spread of a stage when there are enough records of it."""
    if learned is None:
        return None
    found = learned.times.get(stage)
    if not found or found[2] < ENOUGH:
        return None
    return float(found[0]), float(found[1])


def factor(learned: LearnedTimes | None, stage: str, part: str, name: object) -> float:
    """Return what a machine, person or material (by primary key) multiplies a stage's time by."""
    found = learned.times.get(f"{stage}|{part}|{name}") if learned else None
    return float(found[0]) if found else 1.0

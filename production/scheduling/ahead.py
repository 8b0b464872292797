"""Aligner steps made ahead: what the running series need, four weeks' load, what fits today."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db.models import Max
from django.utils import timezone

from clinic.models import Office
from production import planning
from production.models import Appliance, ApplianceKind, FitAnswer, Series, SeriesStep
from production.planning import makeahead
from production.scheduling.hours import minutes_after
from production.scheduling.state import Situation, read_situation, steps_of

ALIGNER = "aligner"
DAY = 1440.0
#: Share of the open time kept for same-day work that is not known yet.
RESERVE = 0.35
#: How many needed steps are tried against today's promises.
TRIED = 24
FUTURES = 10_000
MADE = (
    Appliance.Status.WAITING,
    Appliance.Status.RUNNING,
    Appliance.Status.HELD,
    Appliance.Status.READY,
    Appliance.Status.DELIVERED,
)


@dataclass(frozen=True)
class Needed:
    """A step that a visit needs."""

    series: Series
    step: SeriesStep
    by: dt.datetime
    reason: str

    @property
    def key(self) -> str:
        """What a form sends for it."""
        return str(self.step.pk)


@dataclass(frozen=True)
class Visit:
    """What one visit of a series needs."""

    steps: list[Needed]

    @property
    def first(self) -> Needed:
        """The step that stands for all in what they share: patient, time, reason."""
        return self.steps[0]

    @property
    def key(self) -> str:
        """What a form sends for all of its steps."""
        return ",".join(n.key for n in self.steps)

    @property
    def arches(self) -> dict[str, list[int]]:
        """The numbers to make, by arch."""
        found: dict[str, list[int]] = {}
        for n in sorted(self.steps, key=lambda n: (n.step.arch != "upper", n.step.number)):
            found.setdefault(n.step.arch, []).append(n.step.number)
        return found


@dataclass(frozen=True)
class Outlook:
    """Four weeks: what is needed, and the work against the open time."""

    needed: list[Needed]
    weeks: list[dict[str, Any]]
    running: int

    @property
    def visits(self) -> list[Visit]:
        """What is needed, by patient and time, the most urgent first."""
        found: dict[tuple[int, dt.datetime, str], list[Needed]] = {}
        for n in self.needed:
            found.setdefault((n.series.pk, n.by, n.reason), []).append(n)
        return [Visit(steps) for steps in found.values()]

    @property
    def short(self) -> list[dict[str, Any]]:
        """The weeks and kinds that do not fit."""
        return [w for w in self.weeks if not w["fits"]]


def outlook() -> Outlook:
    """Work out what the running series need, and whether the coming weeks bear it."""
    situation = read_situation()
    series, steps = _series(situation.origin)
    wanted = makeahead.needs(list(series.values()))
    rows = {
        str(s.pk): s for s in Series.objects.filter(pk__in=list(series)).select_related("patient")
    }
    needed = [
        Needed(
            rows[str(n.series)],
            steps[(int(n.series), n.arch, n.step)],
            situation.moment(n.by),
            n.reason,
        )
        for n in wanted
        if (int(n.series), n.arch, n.step) in steps
    ]
    return Outlook(needed, _weeks(situation, wanted), len(series))


def unopened() -> int:
    """Count the steps that the coming four weeks' visits need and nobody has ordered yet."""
    series, steps = _series(timezone.now().replace(second=0, microsecond=0))
    wanted = makeahead.needs(list(series.values()))
    return sum((int(n.series), n.arch, n.step) in steps for n in wanted)


def what_fits() -> FitAnswer:
    """Try the most urgent needed steps against today's promises; nothing is stored.

    Takes seconds: the planner's worker does it (``jobs/fit.py``).
    """
    situation = read_situation()
    found = outlook().needed
    chosen = found[:TRIED]
    route = _route(situation)
    if route is None or not chosen:
        return FitAnswer(state=situation.state, limit=makeahead.ADDED_RISK)
    problem = planning.parse_problem(situation.problem)
    jobs = [
        planning.parse_job(
            {
                "id": f"ahead-{n.step.pk}",
                "due": max(minutes_after(situation.origin, n.by), 1.0),
                "weight": 0.3,
                "group": f"ahead-{n.series.pk}",
                "steps": route,
            },
            problem.resources,
        )
        for n in chosen
    ]
    answer = makeahead.fill_slack(problem, jobs, samples=FUTURES)
    return FitAnswer(
        state=situation.state,
        take=[int(str(name).removeprefix("ahead-")) for name in answer["take"]],
        worst=answer["added_risk"]["worst"],
        limit=answer["limit"],
    )


def _route(situation: Situation) -> list[dict[str, Any]] | None:
    kind = ApplianceKind.objects.filter(code=ALIGNER).first()
    if kind is None:
        return None
    pairs = steps_of(situation, kind.pk, Office.get().cut_height_mm)
    return [step for entry, step in pairs if entry.stage.code != "scan"] or None


def _series(
    origin: dt.datetime,
) -> tuple[dict[int, makeahead.Series], dict[tuple[int, str, int], SeriesStep]]:
    """Return the running series as the planner reads them, and their steps."""
    running = list(Series.objects.filter(status=Series.Status.RUNNING))
    steps = {
        (s.series_id, s.arch, s.number): s
        for s in SeriesStep.objects.filter(series__in=running, cancelled=False)
    }
    made: dict[int, set[tuple[str, int]]] = {}
    rows = Appliance.objects.filter(
        step__series__in=running, status__in=MADE, order__cancelled_at=None
    ).values_list("step__series_id", "step__arch", "step__number")
    for pk, arch, number in rows:
        made.setdefault(pk, set()).add((arch, number))
    replaced = dict(
        Series.objects.filter(refinement_of__in=running)
        .values_list("refinement_of")
        .annotate(m=Max("pk"))
    )
    zone = Office.get().zone
    today = timezone.now().astimezone(zone).date()
    found = {}
    for series in running:
        last = max(series.steps_upper, series.steps_lower)
        if not last or series.pk in replaced:
            continue
        worn = min((today - series.started_on).days // series.wear_days + 1, last)
        worn = max(worn, 0)
        since = series.started_on + dt.timedelta(days=(worn - 1) * series.wear_days)
        began = dt.datetime.combine(since, dt.time(), zone)
        found[series.pk] = makeahead.Series(
            id=series.pk,
            arches=tuple(
                arch
                for arch, count in (("upper", series.steps_upper), ("lower", series.steps_lower))
                if count
            ),
            last_step=last,
            worn=worn,
            worn_since=min(minutes_after(origin, began), 0.0),
            wear=series.wear_days * DAY,
            visits=_visits(origin, series, zone),
            made=frozenset(made.get(series.pk, set())),
        )
    return found, steps


def _visits(origin: dt.datetime, series: Series, zone: Any) -> tuple[float, ...]:
    """Return the coming visits: the booked one, then one whenever its steps are worn."""
    if series.next_visit_on is None:
        return ()
    found = []
    day = series.next_visit_on
    at = -1.0
    # One past the horizon too: the last visit known would be asked for all later steps.
    while at <= makeahead.HORIZON + makeahead.MARGIN:
        at = minutes_after(origin, dt.datetime.combine(day, dt.time(9), zone))
        if at >= 0:
            found.append(at)
        day += dt.timedelta(days=max(series.wear_days * series.steps_per_visit, 7))
    return tuple(found)


def _weeks(situation: Situation, wanted: list[makeahead.Need]) -> list[dict[str, Any]]:
    route = _route(situation)
    if route is None:
        return []
    problem = planning.parse_problem(situation.problem)
    job = planning.parse_job({"id": "route", "steps": route}, problem.resources)
    office = Office.get()
    start = situation.origin.astimezone(office.zone).date()
    return [
        {
            "number": week.number,
            "from": start + dt.timedelta(days=7 * week.number),
            "kind": week.kind,
            "needed": week.needed / 60,
            "capacity": week.capacity / 60,
            "share": week.needed / week.capacity
            if week.capacity
            else (1.0 if week.needed else 0.0),
            "fits": week.fits,
        }
        for week in makeahead.weekly_load(problem, wanted, job, reserve=RESERVE)
        if week.kind != "chair"
    ]

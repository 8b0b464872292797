"""Aligner steps made ahead: what the running series need, four weeks' load, what fits today."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet
from django.utils import timezone

from clinic.models import Office
from clinic.models import Visit as Booked
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
#: A visit in the book that has not been.
AWAITED = (Booked.Status.PLANNED, Booked.Status.ARRIVED, Booked.Status.IN_CHAIR)
MADE = (
    Appliance.Status.WAITING,
    Appliance.Status.RUNNING,
    Appliance.Status.HELD,
    Appliance.Status.READY,
    Appliance.Status.DELIVERED,
)


@dataclass(frozen=True)
class Needed:
    """A step that is needed: for a ``visit``, without one (worn before), or made ``again``."""

    series: Series
    step: SeriesStep
    by: dt.datetime
    visit: dt.datetime | None
    again: bool

    @property
    def key(self) -> str:
        """What a form sends for it."""
        return str(self.step.pk)


@dataclass(frozen=True)
class Visit:
    """What a patient needs at one time, mostly one visit's steps."""

    steps: list[Needed]

    @property
    def first(self) -> Needed:
        """The step that stands for all in what they share: patient, time, visit."""
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
class TightWeek:
    """A week whose work of one kind (hours) does not fit into the time open until its end."""

    starts: dt.date
    kind: str
    needed: float
    capacity: float


@dataclass(frozen=True)
class Outlook:
    """Four weeks: what is needed, and the work against the open time."""

    needed: list[Needed]
    weeks: list[dict[str, Any]]
    running: int

    @property
    def visits(self) -> list[Visit]:
        """What is needed, by patient and time, the most urgent first."""
        found: dict[tuple[int, dt.datetime, dt.datetime | None, bool], list[Needed]] = {}
        for n in self.needed:
            found.setdefault((n.series.pk, n.by, n.visit, n.again), []).append(n)
        return [Visit(steps) for steps in found.values()]

    @property
    def short(self) -> list[TightWeek]:
        """The weeks and kinds that do not fit."""
        return [
            TightWeek(w["from"], w["kind"], w["needed"], w["capacity"])
            for w in self.weeks
            if not w["fits"]
        ]


def outlook(situation: Situation | None = None) -> Outlook:
    """Work out what the running series need, and whether the coming weeks bear it."""
    situation = read_situation() if situation is None else situation
    series, steps = _series(situation.origin)
    wanted = makeahead.needs(list(series.values()))
    rows = {
        str(s.pk): s for s in Series.objects.filter(pk__in=list(series)).select_related("patient")
    }
    needed = [
        Needed(
            rows[str(n.series)],
            steps[(int(n.series), n.arch, n.step)],
            situation.moment(_in_hours(n.by, situation.problem["pickup"])),
            None if n.visit is None else situation.moment(n.visit),
            n.again,
        )
        for n in wanted
        if (int(n.series), n.arch, n.step) in steps
    ]
    return Outlook(needed, _weeks(situation, wanted), len(series))


def _in_hours(by: float, opened: list[list[float]]) -> float:
    """Return the last minute of open time up to ``by``; ``by`` where there is none."""
    ends = [min(stop, by) for start, stop in opened if start < by]
    return max(ends, default=by)


def unopened() -> int:
    """Count the steps that the coming four weeks' visits need and nobody has ordered yet."""
    series, steps = _series(timezone.now().replace(second=0, microsecond=0))
    wanted = makeahead.needs(list(series.values()))
    return sum((int(n.series), n.arch, n.step) in steps for n in wanted)


def wanted_of(rows: Sequence[Series]) -> dict[tuple[int, str, int], dt.datetime]:
    """Return when steps of these series are handed over or worn, by (series, arch, step)."""
    origin = timezone.now().replace(second=0, microsecond=0)
    series, _ = _series(origin, going_on().filter(pk__in=[row.pk for row in rows]))
    return {
        (int(n.series), n.arch, n.step): origin + dt.timedelta(minutes=n.visit or n.by)
        for n in makeahead.needs(list(series.values()))
    }


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


def going_on() -> QuerySet[Series]:
    """Return the series whose steps are made ahead: running, or paused until a known day."""
    known = Q(status=Series.Status.PAUSED, paused_until__isnull=False)
    return Series.objects.filter(Q(status=Series.Status.RUNNING) | known)


def _series(
    origin: dt.datetime, among: QuerySet[Series] | None = None
) -> tuple[dict[int, makeahead.Series], dict[tuple[int, str, int], SeriesStep]]:
    """Return the series that go on as the planner reads them, and their steps."""
    rows = list(going_on() if among is None else among)
    steps = {
        (s.series_id, s.arch, s.number): s
        for s in SeriesStep.objects.filter(series__in=rows, cancelled=False)
    }
    made: dict[int, set[tuple[str, int]]] = {}
    pieces = Appliance.objects.filter(
        step__series__in=rows, status__in=MADE, order__cancelled_at=None
    ).values_list("step__series_id", "step__arch", "step__number")
    for pk, arch, number in pieces:
        made.setdefault(pk, set()).add((arch, number))
    zone = Office.get().zone
    booked = _booked(origin.astimezone(zone), {series.patient_id for series in rows})
    return {
        series.pk: _as_planned(
            series, origin, zone, booked.get(series.patient_id, []), made.get(series.pk, set())
        )
        for series in rows
        if series.last_number
    }, steps


def _as_planned(
    series: Series,
    origin: dt.datetime,
    zone: ZoneInfo,
    booked: list[dt.datetime],
    made: set[tuple[str, int]],
) -> makeahead.Series:
    today = origin.astimezone(zone).date()

    def minutes(day: dt.date) -> float:
        return minutes_after(origin, dt.datetime.combine(day, dt.time(), zone))

    worn, since = series.worn(today)
    pauses = []
    if series.rests(today) and series.paused_on and series.paused_until:
        pauses.append((minutes(series.paused_on), minutes(series.paused_until)))
    elif since > today:
        pauses.append((0.0, minutes(since)))  # not begun: its clock stands until then
    counts = (("upper", series.steps_upper), ("lower", series.steps_lower))
    arches = tuple(arch for arch, count in counts if count)
    if worn == 1 and any((arch, 1) not in made for arch in arches):
        # It begins with what is not made yet, whatever day was named for it.
        worn, since = 0, since - dt.timedelta(days=series.wear_days)
    return makeahead.Series(
        id=series.pk,
        arches=arches,
        last_step=series.last_number,
        worn=worn,
        worn_since=min(minutes(since), 0.0),
        wear=series.wear_days * DAY,
        visits=_visits(origin, series, zone, booked),
        made=frozenset(made),
        pauses=tuple(pauses),
    )


def _booked(now: dt.datetime, patients: set[int]) -> dict[int, list[dt.datetime]]:
    """Return the aligner visits in the book from today on, by patient, the soonest first."""
    day = now.replace(hour=0, minute=0)
    found: dict[int, list[dt.datetime]] = {}
    for patient, at in (
        Booked.objects.filter(
            patient__in=patients, kind=Booked.Kind.ALIGNER, status__in=AWAITED, starts_at__gte=day
        )
        .order_by("starts_at")
        .values_list("patient", "starts_at")
    ):
        found.setdefault(patient, []).append(at)
    return found


def _visits(
    origin: dt.datetime, series: Series, zone: ZoneInfo, booked: list[dt.datetime]
) -> tuple[float, ...]:
    """Return the coming visits: those booked, then one whenever its steps are worn.

    Where none is in the book, the day that the series names stands for the first.
    """
    found = [max(minutes_after(origin, at), 0.0) for at in booked]
    days = dt.timedelta(days=max(series.wear_days * series.steps_per_visit, 7))
    if booked:
        day = booked[-1].astimezone(zone).date() + days
    elif series.next_visit_on is not None:
        day = series.next_visit_on
    else:
        return ()
    at = found[-1] if found else -1.0
    # One past the horizon too: the last visit known would be asked for all later steps.
    while at <= makeahead.HORIZON + makeahead.MARGIN:
        at = minutes_after(origin, dt.datetime.combine(day, dt.time(9), zone))
        if at >= 0:
            found.append(at)
        day += days
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

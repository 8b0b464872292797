"""Count the facts of some days from the records. A fixed number of queries, however many days.

One pass over the days' events gives first results, failures, tries and minutes of hands;
appliances, promises, lot uses and machine runs are read once each.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable
from typing import NamedTuple
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from clinic.models import Office
from production.models import (
    Appliance,
    Downtime,
    Load,
    LotUse,
    Order,
    Promise,
    Stage,
    StageEvent,
)
from production.models.bench import OPEN_STATUSES
from production.scheduling.hours import open_spans
from production.scheduling.presence import presence
from production.scheduling.state import technicians
from production.selectors.review.facts import BANDS, LEAD_STEP, Facts, day_start

FINISH, FAIL, START = (
    StageEvent.Action.FINISH.value,
    StageEvent.Action.FAIL.value,
    StageEvent.Action.START.value,
)
NO_CAUSE = "No cause recorded"
OnDay = Callable[[dt.datetime], Facts]
Span = tuple[dt.datetime, dt.datetime]


class Mark(NamedTuple):
    """A start, finish or failure that was not taken back."""

    appliance: int
    seq: int
    action: str
    stage: int
    at: dt.datetime
    by: int | None
    machine: int | None
    cause: str | None
    certain: bool
    load: int | None


MARKS = (
    "appliance_id", "seq", "action", "stage_id", "at", "by_id", "machine_id", "cause__name",
    "time_certain", "load_id",
)  # fmt: skip


def promises(start: dt.datetime, end: dt.datetime) -> QuerySet[Promise]:
    """Return the promises due in the range that count: settled, or overdue by now."""
    return Promise.objects.filter(
        superseded_at=None, due_at__gte=start, due_at__lt=end, order__cancelled_at=None
    ).filter(Q(kept__isnull=False) | Q(due_at__lt=timezone.now()))


def failures(start: dt.datetime, end: dt.datetime) -> QuerySet[StageEvent]:
    """Return the failures in the range that were not taken back."""
    return StageEvent.objects.filter(action=FAIL, at__gte=start, at__lt=end, undone_by=None)


def results(start: dt.datetime, end: dt.datetime) -> QuerySet[StageEvent]:
    """Return the results (finish or failure) in the range that were not taken back."""
    return StageEvent.objects.filter(
        action__in=[FINISH, FAIL], at__gte=start, at__lt=end, undone_by=None
    )


def remakes(start: dt.datetime, end: dt.datetime) -> QuerySet[Appliance]:
    """Return the remakes opened in the range, replacements of lost ones apart."""
    return Appliance.objects.filter(
        remake_of__isnull=False, created_at__gte=start, created_at__lt=end
    ).exclude(order__purpose=Order.Purpose.REPLACEMENT)


def present(start: dt.datetime, end: dt.datetime) -> QuerySet[Appliance]:
    """Return the appliances that were between scan and ready at some time of the range."""
    # Two lists rather than one "or": each has its index.
    came = Appliance.objects.filter(scanned_at__lt=end).order_by()
    left = came.filter(ready_at__gte=start).values("pk")
    here = came.filter(ready_at=None, status__in=OPEN_STATUSES).values("pk")
    return Appliance.objects.filter(pk__in=left.union(here))


def count(first: dt.date, last: dt.date) -> dict[dt.date, Facts]:
    """Count the facts of every day from ``first`` to ``last``, both included."""
    zone = Office.get().zone
    start, end = day_start(first, zone), day_start(last + dt.timedelta(days=1), zone)
    days = {first + dt.timedelta(days=n): Facts() for n in range((last - first).days + 1)}

    def on(moment: dt.datetime) -> Facts:
        return days[moment.astimezone(zone).date()]

    _promised(start, end, on)
    _made(start, end, on)
    _marked(start, end, on)
    _remade(start, end, on)
    _used(start, end, on)
    _present(days, start, end, zone)
    _ran(days, start, end, zone)
    return days


def _promised(start: dt.datetime, end: dt.datetime, on: OnDay) -> None:
    rows = promises(start, end).values_list("due_at", "kept", "p_kept_at_agreement")
    for due_at, kept, stated in rows:
        facts = on(due_at)
        facts.due += 1
        facts.kept += bool(kept)
        if stated is not None:
            band = str(max(b for b in BANDS if b <= stated))
            facts.band_count[band] += 1
            facts.band_kept[band] += bool(kept)
            facts.band_stated[band] += stated  # type: ignore[assignment]


def _made(start: dt.datetime, end: dt.datetime, on: OnDay) -> None:
    ready = Appliance.objects.filter(ready_at__gte=start, ready_at__lt=end)
    for ready_at, scanned_at, failed, remake_of in ready.values_list(
        "ready_at", "scanned_at", "failures", "remake_of"
    ):
        assert ready_at is not None
        facts = on(ready_at)
        facts.ready += 1
        facts.ready_bad += bool(failed or remake_of)
        if scanned_at:
            facts.left += 1
            facts.stay_days += (ready_at - scanned_at).total_seconds() / 86400
    out = Appliance.objects.filter(delivered_at__gte=start, delivered_at__lt=end)
    for delivered_at, scanned_at, purpose in out.values_list(
        "delivered_at", "scanned_at", "order__purpose"
    ):
        assert delivered_at is not None
        facts = on(delivered_at)
        facts.handed_over += 1
        if scanned_at and purpose != Order.Purpose.MAKE_AHEAD:
            minutes = (delivered_at - scanned_at).total_seconds() / 60
            facts.lead[str(int(minutes // LEAD_STEP) * LEAD_STEP)] += 1


def _marks(rows: QuerySet[StageEvent]) -> list[Mark]:
    undone = Exists(StageEvent.objects.filter(undoes=OuterRef("pk")))
    wanted = rows.filter(action__in=[START, FINISH, FAIL]).filter(~undone)
    # Appliance by appliance, in the order in which things happened to it.
    return sorted(Mark(*row) for row in wanted.order_by().values_list(*MARKS))


def _marked(start: dt.datetime, end: dt.datetime, on: OnDay) -> None:
    """Count first results, failures, tries and minutes of hands."""
    marks = _marks(StageEvent.objects.filter(at__gte=start, at__lt=end))
    first_seen: dict[int, int] = {}
    for mark in marks:
        first_seen.setdefault(mark.appliance, mark.seq)
    older = [pk for pk, seq in first_seen.items() if seq > 1]
    before = _marks(StageEvent.objects.filter(appliance__in=older, at__lt=start))
    stages = {s.pk: s for s in Stage.objects.all()}
    known: set[tuple[int, int]] = set()
    begun: dict[tuple[int, int], Mark] = {}
    failed: list[Mark] = []
    for mark in sorted(before + marks):
        key = (mark.appliance, mark.stage)
        if mark.action == START:
            begun[key] = mark
            if mark.load and mark.at >= start:
                on(mark.at).in_loads[str(mark.machine)] += 1
            continue
        began, fresh = begun.pop(key, None), key not in known
        known.add(key)
        if mark.at < start:
            continue
        facts, stage = on(mark.at), stages[mark.stage]
        good = mark.action == FINISH
        facts.results[stage.code] += fresh
        facts.good[stage.code] += fresh and good
        who = began.by if began else mark.by
        machine = mark.machine or (began.machine if began else None)
        keys = [f"stage:{stage.code}"]
        keys += [f"machine:{machine}"] if machine else []
        keys += [f"person:{who}"] if who else []
        for name in keys:
            facts.tries[name] += 1
        if not good:
            failed.append(mark)
            facts.failures += 1
            facts.causes[mark.cause or NO_CAUSE] += 1
            for name in keys:
                facts.failed[name] += 1
        if stage.attended:
            facts.hand_results[stage.code] += 1
            if began and began.certain and mark.certain:
                minutes = (mark.at - began.at).total_seconds() / 60
                facts.hand_timed[stage.code] += 1
                facts.hand_minutes[stage.code] += minutes  # type: ignore[assignment]
    _lots_of_failures(failed, on)


def _lots_of_failures(failed: list[Mark], on: OnDay) -> None:
    """Count each failure for the lots that had gone into the piece by then."""
    uses: dict[int, set[tuple[int, int]]] = defaultdict(set)
    rows = LotUse.objects.filter(appliance__in={m.appliance for m in failed})
    for appliance, seq, lot in rows.values_list("appliance", "event__seq", "lot"):
        uses[appliance].add((seq, lot))
    for mark in failed:
        for lot in {lot for seq, lot in uses[mark.appliance] if seq < mark.seq}:
            on(mark.at).failed[f"lot:{lot}"] += 1


def _remade(start: dt.datetime, end: dt.datetime, on: OnDay) -> None:
    """Count remakes for their cause, and for what the piece they replace went through."""
    rows = list(
        remakes(start, end).values_list(
            "created_at", "remake_of", "remake_cause__name", "remake_cause__stage__code"
        )
    )
    went: dict[int, set[str]] = defaultdict(set)
    olds = {old for _, old, _, _ in rows if old}
    for lot, old in LotUse.objects.filter(appliance__in=olds).values_list("lot", "appliance"):
        went[old].add(f"lot:{lot}")
    for mark in _marks(StageEvent.objects.filter(appliance__in=olds)):
        if mark.machine:
            went[mark.appliance].add(f"machine:{mark.machine}")
        if mark.action == START and mark.by:
            went[mark.appliance].add(f"person:{mark.by}")
    for created_at, replaced, cause, stage in rows:
        facts = on(created_at)
        facts.remakes += 1
        facts.causes[cause or NO_CAUSE] += 1
        for key in went[replaced or 0] | ({f"stage:{stage}"} if stage else set()):
            facts.remade[key] += 1


def _used(start: dt.datetime, end: dt.datetime, on: OnDay) -> None:
    uses = LotUse.objects.filter(event__at__gte=start, event__at__lt=end, event__undone_by=None)
    for at, lot, kind, amount, price in uses.values_list(
        "event__at", "lot", "lot__material__kind", "amount", "lot__material__unit_cost"
    ):
        facts = on(at)
        facts.tries[f"lot:{lot}"] += 1
        facts.material_cost[kind] += amount * float(price)  # type: ignore[assignment]


def _present(
    days: dict[dt.date, Facts], start: dt.datetime, end: dt.datetime, zone: ZoneInfo
) -> None:
    """Share out the time that appliances spent between scan and ready over the days."""
    until = min(end, timezone.now())
    midnights = {day: day_start(day + dt.timedelta(days=1), zone) for day in days}
    for scanned, ready in present(start, until).values_list("scanned_at", "ready_at"):
        if scanned is None:
            continue
        if scanned >= start:
            days[scanned.astimezone(zone).date()].arrived += 1
        here, left = max(scanned, start), min(ready or until, until)
        while here < left:
            day = here.astimezone(zone).date()
            days[day].present_days += (min(left, midnights[day]) - here).total_seconds() / 86400
            here = midnights[day]


def _ran(days: dict[dt.date, Facts], start: dt.datetime, end: dt.datetime, zone: ZoneInfo) -> None:
    """Count machine runs, and their minutes inside opening hours beside the open minutes."""
    now = timezone.now()
    spans: dict[dt.date, list[Span]] = {day: [] for day in days}
    for opens, closes in open_spans(Office.get(), start, len(days)):
        if opens < now:
            spans[opens.date()].append((opens, min(closes, now)))
    for day, windows in spans.items():
        days[day].open_minutes = sum(_minutes(a, b) for a, b in windows)
    _away(days, spans, start, end)
    down = Downtime.objects.filter(starts_at__lt=end).filter(
        Q(ends_at=None) | Q(ends_at__gte=start)
    )
    for machine, begin, stop in down.values_list("machine", "starts_at", "ends_at"):
        for day, windows in spans.items():
            minutes = _inside(windows, begin, stop or end)
            if minutes:
                days[day].down_minutes[str(machine)] += minutes  # type: ignore[assignment]
    # By the time alone, which has an index; a load that was given up has never started.
    runs = Load.objects.filter(started_at__gte=start, started_at__lt=end, machine__isnull=False)
    for machine, began, ended in runs.order_by().values_list("machine", "started_at", "ended_at"):
        assert began is not None
        day, key = began.astimezone(zone).date(), str(machine)
        days[day].loads[key] += 1
        minutes = _inside(spans[day], began, ended or now)
        days[day].run_minutes[key] += minutes  # type: ignore[assignment]


def _away(
    days: dict[dt.date, Facts],
    spans: dict[dt.date, list[Span]],
    start: dt.datetime,
    end: dt.datetime,
) -> None:
    """Count the open minutes in which technicians were away or outside hours of their own."""
    everything = [span for windows in spans.values() for span in windows]
    for person in presence(everything, technicians(), start).values():
        own: dict[dt.date, list[Span]] = {day: [] for day in days}
        for opens, closes in person.spans:
            own[opens.date()].append((opens, closes))
        for day, windows in own.items():
            there = sum(_minutes(a, b) for a, b in windows)
            gone = sum(_inside(windows, a.starts_at, a.ends_at or end) for a in person.absences)
            days[day].away_minutes += days[day].open_minutes - there + gone


def _minutes(start: dt.datetime, end: dt.datetime) -> float:
    """Return the minutes between two instants (not wall clocks)."""
    return (end.timestamp() - start.timestamp()) / 60


def _inside(windows: list[Span], start: dt.datetime, end: dt.datetime) -> float:
    """Return the minutes of a span that lie inside the windows."""
    return sum(max(0.0, _minutes(max(a, start), min(b, end))) for a, b in windows)

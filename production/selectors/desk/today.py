"""What the front desk must know now. A fixed number of queries, however full the day."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from django.db.models import Count, Exists, Max, OuterRef, Q
from django.utils import timezone

from clinic.models import Absence, AuditEntry, ClosedDay, Office, Patient, Visit
from clinic.names import near_names
from clinic.templatetags.show import clock
from clinic.visit_status import NEXT, recent_changes
from production.models import Acceptance, Appliance, Order, Plan, Promise, Scan, StageEvent
from production.models.bench import OPEN_STATUSES
from production.scheduling.ahead import TightWeek
from production.scheduling.standing import tight_weeks
from production.selectors.desk.promises import (
    PromiseRow,
    coming,
    promise_row,
    read_pieces,
    standing,
)
from production.selectors.plan.people import away_between
from production.selectors.version import newest, version_of

__all__ = ["Today", "VisitRow", "bounds", "today", "today_version"]

LOOK_BACK_DAYS = 60
LOOK_AHEAD_DAYS = 7
AHEAD_SHOWN = 30
SCAN_DAYS = 14
NEWS_HOURS = 24
AT_WORK = (Appliance.Status.WAITING, Appliance.Status.RUNNING, Appliance.Status.HELD)
#: What the desk must know of an order to pass something on.
PASSED_ON = (
    "uuid",
    "patient__uuid",
    "patient__given_name",
    "patient__family_name",
    "patient__phone",
)
NO_TIME = "Agree on a time with the patient."

STEP_WORDS = {
    Visit.Status.ARRIVED: ("Arrived", "ok"),
    Visit.Status.IN_CHAIR: ("In chair", "play"),
    Visit.Status.DONE: ("Done", "ok"),
    Visit.Status.MISSED: ("Missed", "close"),
}


@dataclass(frozen=True)
class VisitRow:
    """A visit of the day with what can be tapped next."""

    visit: Visit
    steps: list[tuple[str, str, str]]
    back: str = ""
    back_words: str = ""
    near: str = ""
    late: bool = False
    may_order: bool = False


@dataclass(frozen=True)
class News:
    """Something that happened at the bench and that the desk has to pass on."""

    icon: str
    title: str
    words: str
    patient: Patient
    order_uuid: object
    at: dt.datetime
    untold: Promise | None = None
    untimed: bool = False


@dataclass(frozen=True)
class Today:
    """Everything on the page for one day."""

    day: dt.date
    now: dt.datetime
    is_today: bool
    due: list[PromiseRow] = field(default_factory=list)
    handed_over: list[PromiseRow] = field(default_factory=list)
    ahead: list[PromiseRow] = field(default_factory=list)
    ahead_more: int = 0
    visits: list[VisitRow] = field(default_factory=list)
    chair: list[VisitRow] = field(default_factory=list)
    scans: list[tuple[Scan, str]] = field(default_factory=list)
    news: list[News] = field(default_factory=list)
    tight: list[TightWeek] = field(default_factory=list)
    away: list[Absence] = field(default_factory=list)

    @property
    def others(self) -> list[VisitRow]:
        """The visits whose patient is not in the chair."""
        return [r for r in self.visits if r.visit.status != Visit.Status.IN_CHAIR]

    @property
    def counts(self) -> dict[str, int]:
        """The figures in the strip on top."""
        open_rows = [r for r in self.due if not r.ready]
        return {
            "due": len(self.due),
            "ready": sum(r.ready for r in self.due),
            "overdue": sum(r.overdue for r in open_rows),
            "at_risk": sum(r.likelihood.at_risk and not r.overdue for r in open_rows),
            "handed_over": len(self.handed_over),
            "chair": len(self.chair),
            "waiting_room": sum(r.visit.status == Visit.Status.ARRIVED for r in self.visits),
            "visits": len(self.visits),
            "scans": len(self.scans),
        }


def bounds(day: dt.date, office: Office) -> tuple[dt.datetime, dt.datetime]:
    """Return the first moment of ``day`` and of the day after, on the office's clock."""
    zone = office.zone
    start = dt.datetime.combine(day, dt.time(), zone)
    return start, dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), zone)


def today_version(day: dt.date, office: Office, reader: object) -> str:
    """Return a digest that changes when the page would: three small queries.

    The minute of the clock is part of it, because a promise becomes overdue and an
    undo expires without anybody doing anything.
    """
    start, end = bounds(day, office)
    recent = timezone.now() - dt.timedelta(days=SCAN_DAYS)
    return version_of(
        day,
        reader,
        timezone.now().replace(second=0, microsecond=0),
        newest(AuditEntry, StageEvent, Plan, Promise, Acceptance),
        list(
            Visit.objects.filter(starts_at__gte=start, starts_at__lt=end)
            .order_by("pk")
            .values_list("pk", "status", "starts_at", "kind")
        ),
        list(
            Scan.objects.filter(uploaded_at__gte=recent)
            .order_by("status", "verdict")
            .values_list("status", "verdict")
            .annotate(Count("pk"), Max("pk"), Count("replaced_by"), Count("set_aside_at"))
        ),
    )


def today(day: dt.date, office: Office, now: dt.datetime | None = None) -> Today:
    """Collect the page of ``day`` as it stands at ``now``."""
    now = now or timezone.now()
    start, end = bounds(day, office)
    is_today = start <= now < end
    visits = list(
        Visit.objects.filter(starts_at__gte=start, starts_at__lt=end)
        .exclude(status=Visit.Status.CANCELLED)
        .select_related("patient")
        .only(
            "uuid",
            "kind",
            "starts_at",
            "status",
            "note",
            "patient__uuid",
            "patient__given_name",
            "patient__family_name",
            "patient__date_of_birth",
        )
        .annotate(has_order=Exists(Order.objects.filter(visit=OuterRef("pk"), cancelled_at=None)))
        .order_by("starts_at", "pk")
    )
    earliest = now - dt.timedelta(days=LOOK_BACK_DAYS) if is_today else start
    promises = list(
        standing()
        .filter(due_at__gte=earliest, due_at__lt=end)
        .filter(Q(handed_over_at=None) | Q(due_at__gte=start))
    )
    week = coming(end, end + dt.timedelta(days=LOOK_AHEAD_DAYS))
    soon = list(week[:AHEAD_SHOWN])
    read_pieces([*promises, *soon])
    near = near_names([v.patient for v in visits] + [p.order.patient for p in promises])
    rows = [_row(p, office, now, near) for p in promises]
    # An order whose pieces were all replaced lives on in its remakes' order.
    rows = [r for r in rows if r.appliances]
    ahead = [_row(p, office, now) for p in soon]
    back = recent_changes(visits, now)
    visit_rows = [_visit_row(v, now, back, near) for v in visits]
    return Today(
        day=day,
        now=now,
        is_today=is_today,
        due=sorted((r for r in rows if not r.delivered), key=_urgency),
        handed_over=[r for r in rows if r.delivered and r.promise.due_at >= start],
        ahead=ahead,
        ahead_more=week.count() - len(ahead) if len(ahead) == AHEAD_SHOWN else 0,
        visits=visit_rows,
        chair=[r for r in visit_rows if r.visit.status == Visit.Status.IN_CHAIR],
        scans=_scans(now) if is_today else [],
        news=_news(now, office) if is_today else [],
        tight=tight_weeks() if is_today else [],
        away=away_between(now if is_today else start, end),
    )


def _row(
    promise: Promise, office: Office, now: dt.datetime, near: dict[int, str] | None = None
) -> PromiseRow:
    return promise_row(promise, office, now, near, moved=promise.moved)  # type: ignore[attr-defined]


def _urgency(row: PromiseRow) -> tuple[bool, dt.datetime]:
    """Unfinished promises first, next due on top; what is ready only waits for its patient."""
    return row.ready, row.promise.due_at


def _visit_row(
    visit: Visit, now: dt.datetime, back: dict[int, str], near: dict[int, str]
) -> VisitRow:
    steps = [(s, *STEP_WORDS[Visit.Status(s)]) for s in NEXT[visit.status]]
    before = back.get(visit.pk, "")
    return VisitRow(
        visit=visit,
        steps=steps,
        back=before,
        back_words=str(Visit.Status(before).label) if before else "",
        near=near.get(visit.patient_id, ""),
        late=visit.status == Visit.Status.PLANNED and visit.starts_at < now,
        may_order=not visit.has_order  # type: ignore[attr-defined]
        and visit.status not in (Visit.Status.MISSED, Visit.Status.DONE)
        and visit.kind != Visit.Kind.PICKUP,
    )


def _scans(now: dt.datetime) -> list[tuple[Scan, str]]:
    """Scans of the last two weeks that wait for a person's decision, oldest first."""
    waiting = (
        Scan.objects.filter(uploaded_at__gte=now - dt.timedelta(days=SCAN_DAYS))
        .filter(
            Q(status=Scan.Status.INSPECTED, verdict=Scan.Verdict.RESCAN)
            & ~Exists(Acceptance.objects.filter(scan=OuterRef("pk"), taken_back_at=None))
            | Q(status__in=(Scan.Status.UNREADABLE, Scan.Status.FAILED))
        )
        .select_related("patient")
        .only(
            "uuid",
            "arch",
            "status",
            "verdict",
            "uploaded_at",
            "replaced_by",
            "set_aside_at",
            "patient__given_name",
            "patient__family_name",
        )
        .order_by("uploaded_at")
    )
    words = {
        Scan.Status.INSPECTED: "Rescan, or a doctor accepts it with a reason",
        Scan.Status.UNREADABLE: "The file could not be read: upload it again",
        Scan.Status.FAILED: "The inspection did not finish: try again",
    }
    # Looked at here and not in the query, which would walk the index of all unreplaced scans.
    current = (s for s in waiting if s.replaced_by_id is None and s.set_aside_at is None)
    return [(s, words[Scan.Status(s.status)]) for s in current]


def _failures(since: dt.datetime, risk_limit: float) -> list[News]:
    """Failures of work that is still promised for the old time, and what becomes of the time."""
    events = (
        StageEvent.objects.filter(
            action=StageEvent.Action.FAIL,
            at__gte=since,
            undone_by=None,
            appliance__status__in=AT_WORK,
        )
        .select_related("appliance__order__patient")
        .prefetch_related("appliance__kind", "stage", "to_stage")
        .only(
            "at",
            "recorded_at",
            "stage",
            "to_stage",
            "appliance__arch",
            "appliance__kind",
            *(f"appliance__order__{name}" for name in PASSED_ON),
        )
        .order_by("at")
    )
    latest = {event.appliance.order_id: event for event in events}
    promises = Promise.objects.filter(order__in=latest, superseded_at=None)
    news = []
    for promise in promises:
        event = latest[promise.order_id]
        if promise.agreed_at > event.recorded_at:
            continue  # agreed on since
        due, piece = clock(promise.due_at), event.appliance
        weighed = promise.assessed_at is not None and promise.assessed_at >= event.recorded_at
        if not weighed or promise.p_late is None:
            words, doubtful = f"{due} is being weighed again", False
        elif promise.p_late <= risk_limit:
            words, doubtful = f"{due} can still be kept", False
        else:
            likely = f", likely ready {clock(promise.expected_at)}" if promise.expected_at else ""
            words, doubtful = f"{due} is at risk{likely}", True
        news.append(
            News(
                "warn",
                f"{piece.kind.name}, {piece.arch}, failed at {str(event.stage).lower()}; it starts "
                f"again at {str(event.to_stage).lower()}",
                words,
                piece.order.patient,
                piece.order.uuid,
                event.at,
                untimed=doubtful,
            )
        )
    return news


def _on_closed_days(now: dt.datetime, office: Office) -> list[News]:
    """Times promised for a day on which the office turned out to be closed."""
    days = dict(
        ClosedDay.objects.filter(date__gte=now.astimezone(office.zone).date()).values_list(
            "date", "reason"
        )
    )
    if not days:
        return []
    ends = bounds(max(days), office)[1]
    promised = (
        standing()
        .filter(due_at__gte=now, due_at__lt=ends, handed_over_at=None)
        .prefetch_related("order__kind")
    )
    news = []
    for promise in promised:
        day = promise.due_at.astimezone(office.zone).date()
        if day in days:
            why = f" ({days[day]})" if days[day] else ""
            news.append(
                News(
                    "pause",
                    f"{promise.order.kind.name} promised for {clock(promise.due_at)}, when the "
                    f"office is closed{why}",
                    "Agree on another time, or leave it if somebody will be there.",
                    promise.order.patient,
                    promise.order.uuid,
                    promise.agreed_at,
                    untimed=True,
                )
            )
    return news


def _news(now: dt.datetime, office: Office) -> list[News]:
    """What the desk has to pass on.

    Failures and remakes of the last day, orders without a time, new times the patient has not
    heard of, times on a day that was closed since.
    """
    since = now - dt.timedelta(hours=NEWS_HOURS)
    news = [*_failures(since, office.risk_limit), *_on_closed_days(now, office)]
    timed = Promise.objects.filter(order=OuterRef("order"), superseded_at=None)
    remakes = (
        Appliance.objects.filter(remake_of__isnull=False, created_at__gte=since)
        .exclude(status__in=(Appliance.Status.CANCELLED, Appliance.Status.DELIVERED))
        .annotate(timed=Exists(timed))
        .select_related("order__patient")
        .prefetch_related("kind", "remake_cause")
        .only(
            "arch",
            "kind",
            "remake_cause",
            "created_at",
            *(f"order__{name}" for name in PASSED_ON),
        )
    )
    for piece in remakes:
        cause = f": {piece.remake_cause.name.lower()}" if piece.remake_cause else ""
        news.append(
            News(
                "remake",
                f"{piece.kind.name}, {piece.arch}, is made again{cause}",
                "" if piece.timed else NO_TIME,
                piece.order.patient,
                piece.order.uuid,
                piece.created_at,
                untimed=not piece.timed,
            )
        )
    untimed = (
        Order.objects.filter(
            ~Exists(Promise.objects.filter(order=OuterRef("pk"), superseded_at=None)),
            created_at__gte=now - dt.timedelta(days=SCAN_DAYS),
            cancelled_at=None,
            purpose__in=(Order.Purpose.NEW, Order.Purpose.REPLACEMENT),
            appliances__status__in=OPEN_STATUSES,
        )
        .select_related("patient")
        .prefetch_related("kind")
        .only("created_at", "kind", *PASSED_ON)
        .distinct()
    )
    for order in untimed:
        news.append(
            News(
                "question",
                f"{order.kind.name} without a pickup time",
                NO_TIME,
                order.patient,
                order.uuid,
                order.created_at,
                untimed=True,
            )
        )
    moved = Promise.objects.filter(order=OuterRef("order"), superseded_at__isnull=False)
    untold = (
        Promise.objects.filter(
            Exists(moved),
            superseded_at=None,
            told_at=None,
            handed_over_at=None,
            order__cancelled_at=None,
            # By the due time, which has an index: a time long past needs no telephone call.
            due_at__gte=now - dt.timedelta(days=SCAN_DAYS),
        )
        .select_related("order__patient")
        .prefetch_related("order__kind")
        .only("due_at", "agreed_at", "reason", "order__kind", *(f"order__{n}" for n in PASSED_ON))
        .order_by("due_at")
    )
    for promise in untold:
        news.append(
            News(
                "bell",
                f"New time for the {promise.order.kind.name.lower()}",
                promise.reason,
                promise.order.patient,
                promise.order.uuid,
                promise.agreed_at,
                untold=promise,
            )
        )
    return sorted(news, key=lambda n: n.at, reverse=True)

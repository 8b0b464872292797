"""Three weeks of an office, the morning of today, and what is booked from here."""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Callable, Iterator

from django.db.models import Max
from django.utils import timezone

from clinic.models import Office, Patient, Visit
from production.actions import agree_promise, open_order
from production.actions.plan.keep_person import go_away
from production.demo.days import FAILURE_RATE, FAILURES, Day, Job
from production.demo.office import Cast
from production.demo.pool import Mouth
from production.models import Appliance, ApplianceKind, Order, Series, SeriesStep, StoredFile
from production.scheduling.quoting import quote_pickup

HISTORY_DAYS = 21
# As many as the two technicians can supply: about nine tenths of the week that the office
# keeps for work ahead, with one week in which more patients come.
RUNNING_SERIES = 34
VISITS_BY_WEEK = (1, 2, 2, 2)
STEPS_PER_VISIT = 2
Progress = Callable[[str], None]


class Story:
    """Plays the demo's past and present."""

    def __init__(
        self, cast: Cast, patients: list[Patient], pool: dict[str, list[Mouth]], seed: int
    ) -> None:
        self.cast, self.pool = cast, pool
        self.rng = random.Random(seed)
        self.everyone = list(patients)
        self.fresh: Iterator[Patient] = iter(patients)
        self.kinds = {k.code: k for k in ApplianceKind.objects.all()}
        self.office = Office.get()
        self.series: list[Series] = []

    def series_patients(self) -> None:
        """Give some patients a running aligner series."""
        weeks = [week for week, count in enumerate(VISITS_BY_WEEK) for _ in range(count)]
        for number, patient in enumerate(self.everyone[-RUNNING_SERIES:]):
            steps = self.rng.randrange(18, 31)
            wear = self.rng.choice([10, 14])
            visit = self._working_day(2 + 7 * weeks[number % len(weeks)] + self.rng.randrange(7))
            series = Series.objects.create(
                patient=patient,
                # Steps change on the day of a visit.
                started_on=visit - dt.timedelta(days=wear * self.rng.randrange(4, 12)),
                steps_upper=steps,
                steps_lower=steps if self.rng.random() < 0.8 else 0,
                wear_days=wear,
                steps_per_visit=STEPS_PER_VISIT,
                next_visit_on=visit,
            )
            self._steps(series)
            self.series.append(series)

    def _working_day(self, days: int) -> dt.date:
        """Return the first day of the working week from so many days after today on."""
        date = self.office.today() + dt.timedelta(days=days)
        past_friday = max(0, date.isoweekday() - 5)
        return date + dt.timedelta(days=(0, 2, 1)[past_friday])

    def _steps(self, series: Series) -> None:
        rows = []
        for arch, count in (("upper", series.steps_upper), ("lower", series.steps_lower)):
            for number in range(1, count + 1):
                file: StoredFile = self.pool[arch][number % len(self.pool[arch])].file
                rows.append(SeriesStep(series=series, arch=arch, number=number, file=file))
        SeriesStep.objects.bulk_create(rows)

    def past(self, say: Progress) -> None:
        """Play the working days before today."""
        today = self.office.today()
        dates = [today - dt.timedelta(days=d) for d in range(HISTORY_DAYS, 0, -1)]
        dates = [d for d in dates if d.isoweekday() <= 5]
        for number, date in enumerate(dates, start=1):
            say(f"Playing the past: day {number} of {len(dates)}")
            day = Day(self.cast, date, self.rng)
            self._debonds(day, self.rng.randrange(3, 5))
            self._ahead(day, 2)
            self._carried(day)
            day.play()

    def this_morning(self) -> None:
        """Play today up to now; what is under way stays under way."""
        # A little slow, so that a time is tight; drawn, it would hang on the date it is shown.
        day = Day(self.cast, self.office.today(), self.rng, factor=1.08)
        now = (timezone.now() - day.origin).total_seconds() / 60
        self._debonds(day, 4, first=5.0, gap=35.0)
        self._ahead(day, 2)
        day.play(until=max(now, 1.0))

    def _debonds(self, day: Day, count: int, first: float = 15.0, gap: float = 45.0) -> None:
        for number in range(count):
            patient = next(self.fresh)
            release = first + gap * number + self.rng.uniform(0, 15)
            at = day.at(math.floor(release / 5) * 5)
            visit = _in_the_book(patient, Visit.Kind.DEBOND, at)
            arches = self.rng.choice([("upper", "lower")] * 3 + [("upper",), ("lower",)])
            mouths = [self.rng.choice(self.pool[a]) for a in arches]
            job = Job(patient, visit, self.kinds["retainer"], mouths, release)
            self._fate(job)
            day.jobs.append(job)

    def _carried(self, day: Day) -> None:
        """Make the remakes that earlier days left."""
        waiting = Appliance.objects.filter(
            remake_of__isnull=False, status=Appliance.Status.WAITING, stage__code="prepare"
        ).select_related("order__patient", "order__visit", "kind", "step", "scan", "stage")
        for appliance in waiting:
            visit = appliance.order.visit or _in_the_book(
                appliance.order.patient, Visit.Kind.PICKUP, day.at(450.0)
            )
            mouth = self.rng.choice(self.pool[appliance.arch])
            day.jobs.append(
                Job(
                    appliance.order.patient,
                    visit,
                    appliance.kind,
                    [mouth],
                    10.0,
                    steps=[appliance.step] if appliance.step else [],
                    appliances=[appliance],
                    order=appliance.order,
                    first_stage="prepare",
                )
            )

    def _ahead(self, day: Day, count: int) -> None:
        """Make a pair of aligner steps ahead of a visit."""
        for series in self.rng.sample(self.series, count):
            made = Appliance.objects.filter(step__series=series).aggregate(m=Max("step__number"))
            number = max(series.worn(day.date)[0], made["m"] or 0) + 1
            steps = list(series.steps.filter(number=number).order_by("-arch"))
            if not steps:
                continue
            at = day.at(self.rng.choice([420.0, 450.0, 480.0]))
            visit = _in_the_book(series.patient, Visit.Kind.ALIGNER, at)
            mouths = [self.pool[s.arch][s.number % len(self.pool[s.arch])] for s in steps]
            job = Job(series.patient, visit, self.kinds["aligner"], mouths, 30.0, steps=steps)
            self._fate(job)
            day.jobs.append(job)

    def _fate(self, job: Job) -> None:
        for number in range(len(job.mouths)):
            if self.rng.random() < FAILURE_RATE:
                job.failures[number] = self.rng.choice(FAILURES)

    def rest_of_today(self) -> list[Visit]:
        """Book today's visits to come; return those whose scans will arrive while one watches."""
        now = timezone.now().astimezone(self.office.zone)
        minute = dt.timedelta(minutes=1)
        plan = [
            (-10, Visit.Kind.DEBOND, Visit.Status.IN_CHAIR),
            (-5, Visit.Kind.SCAN, Visit.Status.ARRIVED),
            (25, Visit.Kind.DEBOND, Visit.Status.PLANNED),
            (55, Visit.Kind.CHECK, Visit.Status.PLANNED),
            (110, Visit.Kind.DEBOND, Visit.Status.PLANNED),
            (200, Visit.Kind.ALIGNER, Visit.Status.PLANNED),
            (260, Visit.Kind.PICKUP, Visit.Status.PLANNED),
        ]
        arriving = []
        for offset, kind, status in plan:
            starts = now + offset * minute
            starts = starts.replace(minute=starts.minute // 5 * 5, second=0, microsecond=0)
            visit = Visit.objects.create(
                patient=next(self.fresh), kind=kind, starts_at=starts, status=status
            )
            if status in {Visit.Status.IN_CHAIR, Visit.Status.ARRIVED}:
                arriving.append(visit)
            if kind == Visit.Kind.DEBOND:
                self._book(visit)
        return arriving

    def an_afternoon_off(self) -> None:
        """Let one technician be away on an afternoon of next week: the plan counts on that."""
        day, zone = self._working_day(6), self.office.zone
        begin, end = (dt.datetime.combine(day, dt.time(hour), zone) for hour in (13, 18))
        who = self.cast.technicians[1]
        go_away(who, who, end, since=begin, note="First-aid course")

    def _book(self, visit: Visit) -> None:
        kind = self.kinds["retainer"]
        arches = ["upper", "lower"]
        offer = quote_pickup(kind, arches, visit.starts_at)
        order = open_order(
            self.cast.doctor,
            visit.patient,
            kind,
            arches,
            visit=visit,
            sheet=self.cast.sheets["retainer"].material,
            prescriber=self.cast.doctor,
            purpose=Order.Purpose.NEW,
            key=f"demo-{visit.pk}",
        )
        if offer.earliest:
            agree_promise(
                self.cast.desk,
                order,
                offer.earliest,
                p_kept=offer.p_kept,
                key=f"demo-{visit.pk}-promise",
            )


def _in_the_book(patient: Patient, kind: str, at: dt.datetime) -> Visit:
    """Return a visit that is over when its time has passed."""
    status = Visit.Status.DONE if at <= timezone.now() else Visit.Status.PLANNED
    return Visit.objects.create(patient=patient, kind=kind, starts_at=at, status=status)

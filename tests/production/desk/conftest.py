"""A desk with patients, a doctor, and short ways to the states a day brings."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from django.utils import timezone

from clinic.models import Patient, Visit
from production.actions.desk.booking import book_pickup
from production.models import Appliance, ApplianceKind, Machine, Promise, Scan, Stage, StoredFile
from production.scheduling import Offer
from production.selectors.desk import quotes

_numbers = itertools.count(1)


class Desk:
    """Handles to what the tests of the desk use."""

    def __init__(self, person) -> None:
        self.desk = person("front_desk")
        self.doctor = person("doctor")
        self.technician = person("technician")
        self.retainer = ApplianceKind.objects.get(code="retainer")
        # Noon, so that “in two hours” is still today on any clock.
        self.now = timezone.now()

    def patient(self, family="Haddad", given="Noor", born=dt.date(2010, 6, 13), **more) -> Patient:
        return Patient.objects.create(
            chart_number=f"D-{next(_numbers)}",
            given_name=given,
            family_name=family,
            date_of_birth=born,
            **more,
        )

    def visit(self, patient, status="planned", at=None, kind="debond") -> Visit:
        return Visit.objects.create(
            patient=patient, kind=kind, status=status, starts_at=at or self.now
        )

    def promise(self, patient, minutes=120, arches=("upper",), p_late=None, **more) -> Promise:
        """A promise due in so many minutes; earlier than now is possible too."""
        promise = book_pickup(
            self.desk,
            patient=patient,
            kind=self.retainer,
            arches=list(arches),
            prescriber=self.doctor,
            due_at=self.now + dt.timedelta(minutes=max(minutes, 5)),
            p_kept=0.97,
            key=f"desk-{next(_numbers)}",
        )
        Promise.objects.filter(pk=promise.pk).update(
            p_late=p_late, due_at=self.now + dt.timedelta(minutes=minutes), **more
        )
        promise.refresh_from_db()
        return promise

    def ready(self, promise) -> None:
        """Make every piece of a promise's order ready."""
        Appliance.objects.filter(order=promise.order).update(
            status=Appliance.Status.READY,
            stage=Stage.objects.get(code="delivery"),
            ready_at=self.now,
        )

    def scan(self, patient, arch="upper", verdict="pass", **more) -> Scan:
        number = next(_numbers)
        file = StoredFile.objects.create(sha256=f"{number:064x}", size=84)
        return Scan.objects.create(
            patient=patient,
            arch=arch,
            file=file,
            uploaded_by=self.technician,
            upload_key=f"desk-{number}",
            status=Scan.Status.INSPECTED,
            verdict=verdict,
            report={"findings": []},
            **more,
        )

    def machines(self) -> None:
        """One machine of each kind, and doors that are always open."""
        from clinic.models import OpeningHours

        OpeningHours.objects.all().delete()
        for weekday in range(1, 8):
            OpeningHours.objects.create(weekday=weekday, opens=dt.time(0), closes=dt.time(23, 59))
        for kind in ("printer", "wash", "cure", "forming"):
            Machine.objects.create(
                code=f"M-{kind[:4].upper()}",
                name=kind,
                kind=kind,
                capacity=1 if kind == "forming" else 6,
                minutes_per_mm={"0.1": 1.8},
            )


@pytest.fixture
def desk(office, person) -> Desk:
    """The front desk of a small office."""
    return Desk(person)


class Planner:
    """A planner whose answer the test sets, and which notes what it was asked."""

    def __init__(self) -> None:
        self.asked: list[dict] = []
        self.earliest = timezone.now().replace(second=0, microsecond=0) + dt.timedelta(hours=3)
        self.offer: Offer | None = None
        self.p_own = 0.97
        self.delayed_by_own: list[tuple[Promise, float, float]] = []

    def quote(
        self, kind, pieces, ready_from, *, confidence=None, due_at=None, scanned=(), sheet=None
    ) -> Offer:
        self.asked.append({"pieces": list(pieces), "ready_from": ready_from, "due_at": due_at})
        if due_at is not None:
            return Offer(due_at, self.p_own, self.delayed_by_own)
        if self.offer is not None:
            return self.offer
        later = self.earliest + dt.timedelta(hours=1)
        return Offer(self.earliest, 0.96, [], [(later, 0.99, "later, more certain")])

    def requote(self, order, *, confidence=None) -> Offer:
        return self.quote(None, [], None)


@pytest.fixture
def planner(monkeypatch) -> Planner:
    """Answers at once and always the same, so that the desk's part is what is tested."""
    planner = Planner()
    monkeypatch.setattr(quotes, "quote_pickup", planner.quote)
    monkeypatch.setattr(quotes, "requote", planner.requote)
    return planner

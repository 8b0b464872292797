"""``manage.py demo_arrivals``: in the demo, scans of today's patients arrive while one watches."""

from __future__ import annotations

import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand

from clinic.models import Office, User, Visit
from production.actions.chair.take_scan import take_scan
from production.demo.pool import scan_bytes
from production.models import Scan

FIRST_AFTER = 45.0
EVERY = 75.0


class Command(BaseCommand):
    help = "Take in generated scans for the demo's patients in the chair, one at a time."

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        signal.signal(signal.SIGTERM, lambda *_: stop.set())
        wait = FIRST_AFTER
        while not stop.wait(wait):
            wait = EVERY
            self._one()
        # Stay until told to stop: a child that ends would be started again.
        stop.wait()

    def _one(self) -> None:
        """Take in the next scan that somebody in the chair still lacks."""
        today = Office.get().today()
        doctor = User.objects.filter(role="doctor").first()
        visits = Visit.objects.filter(
            starts_at__date=today, status=Visit.Status.IN_CHAIR, orders__isnull=False
        ).order_by("starts_at")
        for visit in visits.distinct():
            for arch in ("upper", "lower"):
                known = Scan.objects.filter(visit=visit, arch=arch).exists()
                if known or doctor is None:
                    continue
                # The first lower scan of the day has a hole to find while the patient is there.
                faulty = (
                    arch == "lower"
                    and not Scan.objects.filter(
                        visit__starts_at__date=today, verdict=Scan.Verdict.RESCAN
                    ).exists()
                )
                data = scan_bytes(arch, 500 + visit.pk % 50, faulty=faulty, triangles=120_000)
                take_scan(
                    doctor, visit.patient, arch, [data], key=f"arrival-{visit.pk}-{arch}",
                    visit=visit,
                )  # fmt: skip
                return

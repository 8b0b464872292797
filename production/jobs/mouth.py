"""Compare a scan with the one on record before production builds on it."""

from __future__ import annotations

from django.db import transaction

from production import same_mouth, work
from production.actions.chair.prepare_model import prepare_moved
from production.actions.chair.scanning import scan_became_usable
from production.jobs.base import Job
from production.models import Scan, Work


class CompareMouths(Job):
    """Answer whether a repeat scan shows the same mouth; wrong patients stop here."""

    def warm(self) -> None:
        """Compile the comparison."""
        from geometry import compare

        compare.warm()

    def run(self, row: Work) -> None:
        """Compare; a scan that has its answer keeps it."""
        scan = Scan.objects.select_related("file").get(pk=row.subject_id)
        if not scan.comparing or scan.report is None:
            with work.finishing(row):
                return
        earlier = Scan.objects.select_related("file").get(pk=scan.report["same_mouth"]["scan"])
        answer = same_mouth.compare_with_earlier(scan, earlier)
        with work.finishing(row):
            self._conclude(row.subject_id, answer)

    def refused(self, row: Work, problem: str) -> None:
        """Leave the question to a person."""
        self._conclude(row.subject_id, None)

    def gave_up(self, row: Work) -> None:
        """Leave the question to a person."""
        with transaction.atomic():
            self._conclude(row.subject_id, None)

    @staticmethod
    def _conclude(pk: int, answer: dict[str, object] | None) -> None:
        scan = Scan.objects.select_for_update(of=("self",)).get(pk=pk)
        if not scan.comparing:
            return
        same_mouth.conclude(scan, answer)
        scan.save(update_fields=["report", "verdict"])
        prepare_moved(scan.uploaded_by, scan_became_usable(scan.uploaded_by, scan))
        work.ask("plan", coalesce=True)

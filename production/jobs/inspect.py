"""Inspect an uploaded scan."""

from __future__ import annotations

from production import work
from production.actions.chair.set_aside_scan import set_aside_scan
from production.jobs.base import Job
from production.models import Scan, Work


class InspectScan(Job):
    """Run the geometry on a scan's file and store report, view and picture."""

    def warm(self) -> None:
        """Compile the inspection."""
        from geometry import inspection

        inspection.warm()

    def run(self, row: Work) -> None:
        """Inspect; a scan that already has a result keeps it."""
        from production.inspecting import inspect_stored

        scan = Scan.objects.select_related("file").get(pk=row.subject_id)
        if scan.status == Scan.Status.INSPECTED:
            with work.finishing(row):
                return
        result = inspect_stored(scan)
        with work.finishing(row):
            result.save(scan)

    def refused(self, row: Work, problem: str) -> None:
        """Show the reason the file could not be read; a scan before it counts again."""
        scan = Scan.objects.get(pk=row.subject_id)
        scan.status, scan.problem = Scan.Status.UNREADABLE, problem
        scan.save(update_fields=["status", "problem"])
        if scan.replaces.filter(set_aside_at=None).exists():
            reason = "The file could not be read; the scan before it counts again"
            set_aside_scan(scan.uploaded_by, scan, reason)

    def gave_up(self, row: Work) -> None:
        """Show that the inspection failed, so that a person can try again or rescan."""
        Scan.objects.filter(pk=row.subject_id, status=Scan.Status.WAITING).update(
            status=Scan.Status.FAILED,
            problem="The inspection did not finish. Try again; if it fails twice, rescan.",
        )

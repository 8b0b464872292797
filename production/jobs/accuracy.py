"""Compare the rescan of a printed check model with its file."""

from __future__ import annotations

from production import work
from production.jobs.base import Job
from production.models import AccuracyCheck, Work


class MeasurePrint(Job):
    """Measure trueness and precision, and draw the colour map."""

    def run(self, row: Work) -> None:
        """Measure; a check that is measured stays as it is."""
        from production.accuracy import measure, record_of

        check = AccuracyCheck.objects.select_related("model__file").get(pk=row.subject_id)
        if check.status == AccuracyCheck.Status.MEASURED:
            with work.finishing(row):
                return
        found = record_of(measure(check))
        with work.finishing(row):
            AccuracyCheck.objects.filter(pk=check.pk).update(**found)

    def refused(self, row: Work, problem: str) -> None:
        """Show why it cannot be measured."""
        AccuracyCheck.objects.filter(pk=row.subject_id).update(
            status=AccuracyCheck.Status.FAILED, problem=problem
        )

    def gave_up(self, row: Work) -> None:
        """Show that it failed."""
        self.refused(row, "The comparison did not finish. Take in the scan again.")

"""Check a series of step models that was taken in."""

from __future__ import annotations

from production import work
from production.jobs.base import Job
from production.models import SeriesIntake, Work


class CheckSeries(Job):
    """Run the geometry over all steps and keep what it found."""

    def warm(self) -> None:
        """Compile the comparison of steps."""
        from geometry import series

        series.warm()

    def run(self, row: Work) -> None:
        """Check; the ZIP is read where it lies."""
        from geometry.series import check_series

        intake = SeriesIntake.objects.select_related("file").get(pk=row.subject_id)
        report = check_series(intake.file.path)
        with work.finishing(row):
            SeriesIntake.objects.filter(pk=intake.pk).update(
                status=SeriesIntake.Status.CHECKED, report=report
            )

    def refused(self, row: Work, problem: str) -> None:
        """Show why the ZIP cannot be used."""
        SeriesIntake.objects.filter(pk=row.subject_id).update(
            status=SeriesIntake.Status.FAILED, problem=problem
        )

    def gave_up(self, row: Work) -> None:
        """Show that it failed."""
        self.refused(row, "The check did not finish. Try again with fewer triangles per model.")

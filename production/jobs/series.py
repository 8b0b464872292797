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
        report = check_series(intake.file.path, numbers=intake.numbers)
        with work.finishing(row):
            SeriesIntake.objects.filter(pk=intake.pk).update(
                status=SeriesIntake.Status.CHECKED, report=report
            )

    def refused(self, row: Work, problem: str) -> None:
        """Show why the ZIP cannot be used."""
        intake = SeriesIntake.objects.select_related("file").get(pk=row.subject_id)
        # It is stored under its digest, which says nothing to a person.
        words = problem.replace(f"{intake.file.sha256}:", "The ZIP:")
        SeriesIntake.objects.filter(pk=intake.pk).update(
            status=SeriesIntake.Status.FAILED, problem=words
        )

    def gave_up(self, row: Work) -> None:
        """Show that it failed."""
        self.refused(row, "The check did not finish. Try again with fewer triangles per model.")

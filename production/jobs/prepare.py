"""Make a print-ready model from a scan."""

from __future__ import annotations

from production import work
from production.jobs.base import Job
from production.models import PreparedModel, Work


class PrepareModel(Job):
    """Run the geometry with a prepared model's settings and store file, view and picture."""

    def warm(self) -> None:
        """Compile the preparation."""
        from geometry import model

        model.warm()

    def run(self, row: Work) -> None:
        """Make the solid; a model that is made stays as it is."""
        from production.preparing import prepare_stored

        prepared = PreparedModel.objects.select_related("scan__file", "source").get(
            pk=row.subject_id
        )
        if prepared.status == PreparedModel.Status.MADE:
            with work.finishing(row):
                return
        result = prepare_stored(prepared)
        with work.finishing(row):
            result.save(prepared)

    def refused(self, row: Work, problem: str) -> None:
        """Show why no model can be made safely."""
        PreparedModel.objects.filter(pk=row.subject_id).update(
            status=PreparedModel.Status.FAILED, problem=problem
        )

    def gave_up(self, row: Work) -> None:
        """Show that it failed."""
        PreparedModel.objects.filter(pk=row.subject_id).update(
            status=PreparedModel.Status.FAILED,
            problem="Making the model did not finish. Try again, or change the settings.",
        )

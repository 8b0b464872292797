"""Lay a print file into the printer's folder."""

from __future__ import annotations

from django.utils import timezone

from production import work
from production.hot_folder import folder_for, lay_in
from production.jobs.base import Job
from production.models import Plate, PreparedModel, Work


class SendModel(Job):
    """Copy an approved model to the printer's folder."""

    def run(self, row: Work) -> None:
        """Copy; with no folder set there is nothing to do."""
        model = PreparedModel.objects.select_related("file").get(pk=row.subject_id)
        folder = folder_for()
        if folder is not None and model.file is not None and model.approved_at is not None:
            lay_in(model.file, f"{model.neutral_name}.stl", folder)
        with work.finishing(row):
            if folder is not None:
                PreparedModel.objects.filter(pk=model.pk).update(
                    sent_at=timezone.now(), sent_problem=""
                )

    def refused(self, row: Work, problem: str) -> None:
        """Show why it is not in the folder."""
        PreparedModel.objects.filter(pk=row.subject_id).update(sent_problem=problem)

    def gave_up(self, row: Work) -> None:
        """Show that it failed."""
        self.refused(row, "The copy to the printer's folder did not finish. Send it again.")


class SendPlate(Job):
    """Copy a plate's print file to its printer's folder."""

    def run(self, row: Work) -> None:
        """Copy; a plate that was nested anew meanwhile is sent as it is now."""
        plate = Plate.objects.select_related("file", "load__machine").get(load=row.subject_id)
        folder = folder_for(plate.load.machine)
        if folder is not None and plate.file is not None:
            lay_in(plate.file, f"plate-{plate.load.code}.3mf", folder)
        with work.finishing(row):
            if folder is not None:
                Plate.objects.filter(pk=plate.pk, file=plate.file).update(
                    sent_at=timezone.now(), sent_problem=""
                )

    def refused(self, row: Work, problem: str) -> None:
        """Show why it is not in the folder."""
        Plate.objects.filter(load=row.subject_id).update(sent_problem=problem)

    def gave_up(self, row: Work) -> None:
        """Show that it failed."""
        self.refused(row, "The copy to the printer's folder did not finish. Send it again.")

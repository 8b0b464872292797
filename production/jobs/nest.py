"""Nest the models of a plate."""

from __future__ import annotations

from production import work
from production.jobs.base import Job
from production.models import Load, Plate, Work


class NestPlate(Job):
    """Find places for a load's models and write the print file."""

    def warm(self) -> None:
        """Compile the search."""
        from geometry import plates

        plates.warm()

    def run(self, row: Work) -> None:
        """Nest; a load that has started keeps the plate it was printed from."""
        from production.plating import nest_load

        load = Load.objects.select_related("machine").get(pk=row.subject_id)
        if load.status != Load.Status.FILLING:
            with work.finishing(row):
                return
        nested = nest_load(load)
        with work.finishing(row):
            nested.save(load)

    def refused(self, row: Work, problem: str) -> None:
        """Show why nothing could be nested."""
        Plate.objects.update_or_create(
            load_id=row.subject_id,
            defaults={"report": {"problem": problem}, "file": None, "picture": None},
        )

    def gave_up(self, row: Work) -> None:
        """Show that it failed."""
        self.refused(row, "Nesting did not finish. Try again, or take a model off.")

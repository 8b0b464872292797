"""Keep the facts of days that are over, for the review of years."""

from __future__ import annotations

from clinic.models import Office
from production import work
from production.jobs.base import Job
from production.models import Work


class Summarise(Job):
    """Add the missing day summaries."""

    def run(self, row: Work) -> None:
        """Count what is missing; counting twice gives the same rows."""
        from production.selectors.review.days import summarise

        summarise(Office.get().today())
        with work.finishing(row):
            return

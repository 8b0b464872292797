"""Try which aligner steps can be started today."""

from __future__ import annotations

from production import work
from production.jobs.base import Job
from production.models import FitAnswer, Work

KEPT = 20


class TryWhatFits(Job):
    """Set the most urgent needed steps against today's promises and keep the answer."""

    def run(self, row: Work) -> None:
        """Answer for the state as it is now."""
        from production.scheduling.ahead import what_fits

        answer = what_fits()
        with work.finishing(row):
            answer.save()
            old = FitAnswer.objects.order_by("-pk").values_list("pk", flat=True)[KEPT:][:50]
            FitAnswer.objects.filter(pk__in=list(old)).delete()

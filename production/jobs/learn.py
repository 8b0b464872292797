"""Learn stage times from the office's records."""

from __future__ import annotations

from production import work
from production.jobs.base import Job
from production.models import LearnedTimes, Work


class LearnTimes(Job):
    """Fit the stage times and keep the result; later plans use it."""

    def run(self, row: Work) -> None:
        """Fit, store, and forget what was learnt long ago."""
        from production.scheduling.learning import KEPT, learn

        learned = learn()
        with work.finishing(row):
            learned.save()
            old = LearnedTimes.objects.order_by("-pk").values_list("pk", flat=True)[KEPT:][:50]
            LearnedTimes.objects.filter(pk__in=list(old)).delete()

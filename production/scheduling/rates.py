"""How often a machine's run fails, from the office's own records.

A rate is (failures + a) / (runs + a + b): with few runs it stays near the
starting value, with many it is the office's own.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Count, Q
from django.utils import timezone

from production.models import Load, Machine

WINDOW_DAYS = 120
#: Starting values (common practice, no source): failures and runs believed before any record.
PRIOR = {"printer": (0.6, 40.0), "wash": (0.1, 60.0), "cure": (0.1, 60.0), "forming": (0.8, 40.0)}


@dataclass(frozen=True)
class Rates:
    """Failure rates by machine."""

    runs: dict[int, tuple[int, int]]

    def machine(self, machine: Machine) -> float:
        """Return the probability that a run on ``machine`` fails."""
        failed, total = self.runs.get(machine.pk, (0, 0))
        believed, weight = PRIOR.get(machine.kind, (0.2, 40.0))
        return (failed + believed) / (total + weight)


def failure_rates() -> Rates:
    """Count finished and failed loads per machine over the last months, in one query."""
    since = timezone.now() - dt.timedelta(days=WINDOW_DAYS)
    rows = (
        Load.objects.filter(ended_at__gte=since, machine__isnull=False)
        .values_list("machine")
        .annotate(
            failed=Count("pk", filter=Q(status=Load.Status.FAILED)),
            total=Count("pk", filter=Q(status__in=[Load.Status.DONE, Load.Status.FAILED])),
        )
    )
    return Rates({machine: (failed, total) for machine, failed, total in rows})

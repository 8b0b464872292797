"""What a plan is worth: broken promises, tardiness, lead time, makespan."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from production.planning.kernel.future import Floats
from production.planning.kernel.shop import Shop

__all__ = ["Score", "handed_over", "score"]

LATE = 1e-9


class Score(NamedTuple):
    """Sums over jobs; a job is handed over with the last of its group.

    unfinished: jobs that never end (they count as late and otherwise nowhere).
    """

    unfinished: int
    late_jobs: float
    weighted_tardiness: float
    lead_time: float
    makespan: float

    def order(self, objective: str) -> tuple[float, ...]:
        """Return what the objective compares, smaller first."""
        if objective == "makespan":
            return (self.unfinished, self.makespan, self.lead_time)
        if objective == "weighted_tardiness":
            return (self.unfinished, self.weighted_tardiness, self.lead_time)
        return (self.unfinished, self.late_jobs, self.weighted_tardiness, self.lead_time)

    def value(self, objective: str) -> float:
        """Return the number that the objective is named after."""
        if objective == "makespan":
            return self.makespan
        return self.weighted_tardiness if objective == "weighted_tardiness" else self.late_jobs


def handed_over(shop: Shop, finish: Floats) -> Floats:
    """Return when each job is handed over: (..., J) of the last finish in its group."""
    if finish.size == 0:  # nothing on the bench
        return finish
    order = np.argsort(shop.group, kind="stable")
    first = np.flatnonzero(np.diff(shop.group[order], prepend=-1))
    last = np.maximum.reduceat(finish[..., order], first, axis=-1)
    result: Floats = last[..., shop.group]
    return result


def score(shop: Shop, finish: Floats) -> Score:
    """Score finishes (J,), or the mean over futures of finishes (S, J).

    Parameters
    ----------
    shop : Shop
    finish : ndarray
        Minutes from now; inf where a job never ends.

    Returns
    -------
    Score
    """
    rows = np.atleast_2d(finish)
    over = handed_over(shop, rows)
    ends = np.isfinite(over)
    late = over > shop.due + LATE
    late |= ~ends & np.isfinite(shop.due)
    reached = np.where(ends, over, 0.0)
    tardy = np.where(late & ends, reached - np.where(np.isfinite(shop.due), shop.due, 0.0), 0.0)
    lead = reached - np.minimum(shop.release, reached)
    spans = np.where(np.isfinite(rows), rows, 0.0).max(axis=1, initial=0.0)
    return Score(
        unfinished=int((~ends).any(axis=0).sum()),
        late_jobs=float(late.sum(axis=1).mean()),
        weighted_tardiness=float((tardy * shop.weight).sum(axis=1).mean()),
        lead_time=float(lead.sum(axis=1).mean()),
        makespan=float(spans.mean()),
    )

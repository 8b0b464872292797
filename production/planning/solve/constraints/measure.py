"""The criteria of a plan as whole-number expressions of a constraint model."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from production.planning.solve.constraints.model import Model
from production.planning.solve.sequences.timing import LATE, LEAD, SPAN, TARDY


class Measure:
    """Expressions by criterion (rows of a value), and how many of theirs make one."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.weight = self._weight()

    def unit(self, criterion: int) -> int:
        """Return how many of the expression's units make one of the criterion."""
        if criterion == LATE:
            return 1
        return self.model.scale.per_minute * (self.weight if criterion == TARDY else 1)

    def expression(self, criterion: int) -> Any:
        """Return the expression of a criterion."""
        m = self.model
        if criterion == LATE:
            return sum(m.late.values()) + m.cp.new_constant(0)
        if criterion == SPAN:
            return m.span
        if criterion == LEAD:
            a = m.work.arrays
            counts = np.bincount(a.job_unit, minlength=len(a.units))
            return sum(int(k) * u for k, u in zip(counts, m.unit_end, strict=True))
        return sum(w * m.tardy[j] for j, w in self._weights().items()) + m.cp.new_constant(0)

    def _weights(self) -> dict[int, int]:
        """Return whole-number weights by job."""
        values = self.model.work.arrays.job_weight
        return {j: math.floor(values[j] * self.weight + 1e-9) for j in self.model.tardy}

    def _weight(self) -> int:
        """Return what makes all weights whole (1000 loosens them if nothing does)."""
        values = self.model.work.arrays.job_weight
        for unit in (1, 2, 4, 5, 10, 20, 100):
            if np.all(np.abs(values * unit - np.round(values * unit)) < 1e-9):
                return unit
        return 1000

"""Proofs, bounds and last improvements by constraint programming.

The criteria of the objective are settled one after another: first the number of late
jobs, then, with that number as a limit, weighted tardiness, then lead time. The
search is given the best plan known, and may find nothing: that plan is then kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from ortools.sat.python import cp_model

from production.planning.solve.bounds import CRITERIA
from production.planning.solve.constraints.measure import Measure
from production.planning.solve.constraints.model import Model, build
from production.planning.solve.sequences.openwork import OpenWork
from production.planning.solve.sequences.search import Best, Budget, Search
from production.planning.solve.sequences.start import runs, table
from production.planning.solve.sequences.timing import BLK, RES, STUCK

Array = np.ndarray[Any, Any]


@dataclass
class Bound:
    """Lower bounds by criterion, and whether the best plan is proved."""

    lower: dict[int, float] = field(default_factory=dict)
    proved: bool = False


def applies(work: OpenWork) -> bool:
    """Whether the constraint model can express the open work."""
    a = work.arrays
    for o in range(len(a.step_job)):
        choices = a.choice[a.choice_from[o] : a.choice_from[o + 1]]
        if len({bool(a.batch[r]) for r in choices}) > 1:
            return False
    return True


class Exact:
    """The constraint model of one problem, solved criterion by criterion."""

    def __init__(self, search: Search, seed: int) -> None:
        self.search = search
        self.seed = seed
        self.model: Model = build(search.work)
        self.measure = Measure(self.model)

    def improve(self, best: Best, bound: Bound, budget: Budget, first: int = 0) -> None:
        """Settle the criteria in their order as far as the budget goes.

        A bound on a later criterion counts only if all before it are settled. The criteria
        before ``first`` are left as they are, at no cost of time.
        """
        stages = CRITERIA[self.search.objective]
        proved = first == 0
        for criterion in stages[:first]:
            self._limit(criterion, best)
        for position, criterion in enumerate(stages[first:], first):
            proved &= self._settle(criterion, best, bound, budget, len(stages) - position)
            if best.value[STUCK] > 0:
                return
            self._limit(criterion, best)
        bound.proved = proved and self.model.scale.exact and not self.search.work.arrays.helped

    def _settle(
        self, criterion: int, best: Best, bound: Bound, budget: Budget, stages: int
    ) -> bool:
        """Minimise one criterion; return whether its least value is proved."""
        scaled = self.measure.expression(criterion)
        unit = self.measure.unit(criterion)
        if best.value[STUCK] == 0 and best.value[criterion] <= bound.lower.get(criterion, -1.0):
            return True
        seconds = budget.left() / (1.0 if stages == 1 else 1.5)
        if seconds < 0.05:
            return False
        self._hint(best)
        self.model.cp.minimize(scaled)
        solver = cp_model.CpSolver()
        p = solver.parameters
        p.random_seed = self.seed % (1 << 30)
        if budget.until is None:
            p.num_workers = 1
            p.max_deterministic_time = budget.deterministic / stages
        else:
            p.num_workers = 2
            p.max_time_in_seconds = seconds
        status = solver.solve(self.model.cp)
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            self._take(solver, best)
        if status == cp_model.UNKNOWN or status == cp_model.MODEL_INVALID:
            lower = -math.inf
        elif status == cp_model.INFEASIBLE:
            return False
        else:
            lower = solver.best_objective_bound
        lower = math.ceil(lower - 1e-6) / unit if math.isfinite(lower) else -math.inf
        bound.lower[criterion] = max(bound.lower.get(criterion, 0.0), lower)
        reached = best.value[criterion] <= bound.lower[criterion] + 1e-6 * (1 + abs(lower))
        return bool(status == cp_model.OPTIMAL and reached)

    def _limit(self, criterion: int, best: Best) -> None:
        """Let later stages give up nothing of what is reached in this one."""
        most = math.ceil(best.value[criterion] * self.measure.unit(criterion) - 1e-6)
        self.model.cp.add(self.measure.expression(criterion) <= most)

    def _hint(self, best: Best) -> None:
        search = self.search
        if best.value[STUCK] > 0 or search.value(best.state) is None:
            return
        state, steps = best.state, len(search.work.steps)
        leader = np.arange(steps)
        for members in runs(state, steps).values():
            leader[members] = members[0]
        self.model.hint(search.now.start, search.now.end, state[RES, state[BLK, :steps]], leader)

    def _take(self, solver: cp_model.CpSolver, best: Best) -> None:
        """Time the solver's plan from the real figures and keep it if it is better."""
        self.search.offer(best, table(self.search.work, *self.model.read(solver)))

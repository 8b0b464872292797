"""Improve a plan part by part: a part is given free, and the constraint solver puts it anew.

The solver sees compound changes (three exchanges of which each by itself costs) that single
moves do not reach, and a part is small enough for it to see all of them. Large
neighbourhood search: P. Shaw, CP-98, LNCS 1520, 417-431.

Where promises break, every other part is only asked whether one fewer can, about a promise
that nearly holds, whatever that costs the ones given up: such a question without any sum to
be made least is answered several times as fast, and finds whom to give up instead. Once wide
parts are searched through for less tardiness, lead time has its own: what no part betters is
near its best, and annealing leaves lead time lying.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from threading import Lock
from typing import Any

import numpy as np
from ortools.sat.python import cp_model

from production.planning.solve import bounds
from production.planning.solve.constraints import regions
from production.planning.solve.constraints.exact import Bound, applies
from production.planning.solve.constraints.measure import Measure
from production.planning.solve.constraints.model import Model
from production.planning.solve.constraints.part import PartBuilder
from production.planning.solve.sequences.hands import Hands
from production.planning.solve.sequences.openwork import OpenWork, scratch
from production.planning.solve.sequences.search import CHAINS, Best, Budget, Search
from production.planning.solve.sequences.start import table
from production.planning.solve.sequences.timing import LATE, LEAD, SPAN, STUCK, TARDY, evaluate

Array = np.ndarray[Any, Any]

GOALS = {
    "promises": {LATE: 100_000, TARDY: 30, LEAD: 1},
    "weighted_tardiness": {TARDY: 1},
    "makespan": {SPAN: 1},
}
EFFORT = 0.04  # deterministic time of the solver for a part
LEAST = 0.02  # of it that a part counts as, for building its model
BEGIN, SMALLEST = 40.0, 20.0  # steps of a part, at first and at least
LARGER, SMALLER = 1.15, 0.88  # after a part searched through, after one in which nothing was found
BEST, FEWER, LAST = range(3)  # asked of a part: a better plan, a promise broken less, lead time
WIDE = 0.5  # of the steps, in a part searched through: lead time then is worth a part, too
SECONDS_PER_STEP = 3e-4  # to build a part's model, with something to spare


class Rework:
    """Parts of one plan after another, about as large as the solver can search through."""

    def __init__(self, search: Search, seed: int, bound: Bound | None = None) -> None:
        self.search = search
        self.seed = seed
        self.lower = dict(bound.lower) if bound else {}  # by criterion, what no plan is below
        self.size = [BEGIN] * 3  # of a part, by what is asked
        self.over = [False] * 3  # nothing more is to be found in this way
        lateness = search.objective != "makespan"
        self.kinds = regions.LATENESS_KINDS if lateness else regions.KINDS
        self.lock = Lock()
        self.hands = Hands(search.work)

    @staticmethod
    def applies(work: OpenWork) -> bool:
        """Whether the constraint model sees all that the open work needs."""
        return applies(work) and (not work.arrays.helped or Hands.applies(work))

    def improve(self, best: Best, budget: Budget, done: Callable[[Array], bool]) -> None:
        """Rework parts until the budget ends, or little more comes of it; ``best`` is updated."""
        if best.value[STUCK] > 0 or not self.search.work.steps:
            return
        if budget.until is None:
            self._parts(best, budget, done, 0)
            return
        with ThreadPoolExecutor(CHAINS) as threads:
            for walk in [threads.submit(self._parts, best, budget, done, k) for k in range(CHAINS)]:
                walk.result()

    def _parts(
        self, best: Best, budget: Budget, done: Callable[[Array], bool], number: int
    ) -> None:
        work, span = self.search.work, self.search.objective == "makespan"
        builder, now = PartBuilder(work), scratch(work.arrays)
        rng = np.random.default_rng(self.seed + number)
        effort = budget.deterministic
        tried = [number] * 3  # parts, by what was asked of them
        for turn in count():
            if budget.until is None:
                enough = effort < LEAST
            else:
                enough = budget.left() < SECONDS_PER_STEP * len(work.steps)
            with self.lock:
                if enough or self.over[BEST] or done(best.value):
                    return
                base = Best(best.state.copy(), best.value.copy())
                asked = self._asked(base, turn)
                size = round(self.size[asked])
            evaluate(work.arrays, base.state, now)
            kinds = regions.FEWER_KINDS if asked == FEWER else self.kinds
            if asked == FEWER:
                job = regions.savable_job(work.arrays, now, rng)
            elif asked == LAST:
                job = int(rng.choice(np.flatnonzero(work.arrays.job_last >= 0)))
            else:
                job = regions.pressing_job(work.arrays, now, span, rng)
            kind = kinds[tried[asked] % len(kinds)]
            tried[asked] += 1
            free = kind(work.arrays, now, job, size, span, rng)
            model = builder.part(base.state, free)
            builder.hint_plan(model, now.start, now.end, base.state)
            solver = self._solve(model, base, budget, min(EFFORT, effort), asked)
            effort -= max(solver.response_proto.deterministic_time, LEAST)
            status = solver.response_proto.status
            through = status in (cp_model.OPTIMAL, cp_model.INFEASIBLE)
            found = status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
            with self.lock:
                if found:
                    self._offer(best, budget, *model.read(solver))
                if through:
                    self.size[asked] *= LARGER
                elif not found:
                    self.size[asked] = max(self.size[asked] * SMALLER, SMALLEST)
                if status == cp_model.INFEASIBLE and free.all():
                    self._settle(base, asked)

    def _asked(self, base: Best, turn: int) -> int:
        """Return what is asked of a part of a plan: where promises break, all in turn."""
        goals = self._goals(base)
        breaks = TARDY in goals and LEAD in goals and base.value[LATE] > 0
        if breaks and LATE in goals and turn % 2 == 0 and not self.over[FEWER]:
            return FEWER
        wide = self.size[BEST] > WIDE * len(self.search.work.steps)
        return LAST if breaks and wide and turn // 2 % 2 == 0 and not self.over[LAST] else BEST

    def _goals(self, base: Best) -> dict[int, int]:
        """Return the weights of what can still be bettered in a plan."""
        objective = self.search.objective
        settled = bounds.settled(base.value, self.lower, objective)
        return {c: GOALS[objective][c] for c in bounds.CRITERIA[objective][settled:]}

    def _settle(self, base: Best, asked: int) -> None:
        """Note that no plan at all is better in what was asked of a part that held everything."""
        goals = self._goals(base)
        if asked == BEST and TARDY in goals and LEAD in goals and base.value[LATE] > 0:
            self.lower |= {c: float(base.value[c]) for c in (LATE, TARDY)}
        else:
            self.over[asked] = True

    def _offer(self, best: Best, budget: Budget, start: Array, resource: Array, run: Array) -> None:
        """Take the solver's plan, timed from the real figures, if it is better."""
        work = self.search.work
        if not work.arrays.helped:
            self.search.offer(best, table(work, start, resource, run))
            return
        state = self.hands.state(self.search.now, start, resource, run)
        value = self.search.value(state)
        if value is not None and self.search.better(value, best.value):
            self.search.loosen(state, budget)
            self.search.offer(best, state)

    def _solve(
        self, model: Model, base: Best, budget: Budget, effort: float, asked: int
    ) -> cp_model.CpSolver:
        """Look for a plan that is better than the one the part is of."""
        if asked == FEWER:
            model.cp.add(Measure(model).expression(LATE) <= round(base.value[LATE]) - 1)
        else:
            self._minimize(model, base, asked)
        solver = cp_model.CpSolver()
        p = solver.parameters
        p.num_workers = 1
        p.linearization_level = 0  # no linear relaxation: of machines it is weak, and takes long
        p.cp_model_probing_level = 0  # takes longer than it saves
        p.random_seed = self.seed % (1 << 30)
        if budget.until is None:
            p.max_deterministic_time = effort
        else:
            p.max_deterministic_time = EFFORT
            p.max_time_in_seconds = max(budget.left(), 0.01)
        solver.solve(model.cp)
        return solver

    def _minimize(self, model: Model, base: Best, asked: int) -> None:
        """Let a model look for the least of all goals together, no promise more broken."""
        measure, goals = Measure(model), self._goals(base)
        if asked == LAST:
            goals = {LEAD: goals[LEAD]}
        elif TARDY in goals and base.value[LATE] > 0:
            goals.pop(LEAD, None)  # where a promise is broken, that is asked by itself
        whole = model.scale.per_minute * measure.weight
        total = sum(
            weight * (whole // measure.unit(c)) * measure.expression(c)
            for c, weight in goals.items()
        )
        present = whole * sum(weight * base.value[c] for c, weight in goals.items())
        model.cp.minimize(total)
        model.cp.add(total <= math.ceil(present - 1e-6) - 1)
        if self.search.objective == "promises":
            for c in (LATE, TARDY)[: 1 if TARDY in goals else 2]:
                most = math.ceil(base.value[c] * measure.unit(c) - 1e-6)
                model.cp.add(measure.expression(c) <= most)

"""Search the order in which the dispatch kernel serves the jobs.

A run of the kernel under a given order of the jobs makes a whole plan at once, batches
and all, so that few changes of the order reach far. Late acceptance (Burke and Bykov
2017): a change is taken if it is no worse than now or than what was some steps ago.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from production.planning import future, queues
from production.planning.solve import anneal
from production.planning.solve.search import Budget
from production.planning.solve.start import Bench

Array = np.ndarray[Any, Any]
RUN_IN_TRIALS = 20  # what a kernel run counts where work is bounded


class OrderSearch:
    """Priorities and waits by job, improved over the kernel."""

    def __init__(self, bench: Bench, weights: Array, order: Array, seed: int) -> None:
        self.bench = bench
        self.weights = weights
        self.order = order
        self.random = np.random.default_rng(seed)
        self.waits = bench.waits()

    def improve(
        self, first: future.Times, wait: float, budget: Budget, memory: int
    ) -> future.Times:
        """Return the best run found, beginning with the order in which jobs end in ``first``.

        ``memory`` is the number of steps after which a value is forgotten: the more, the
        longer the search wanders before it settles.
        """
        jobs = np.argsort(first.finish, kind="stable")
        waits = np.full(len(jobs), wait)
        best, best_value = first, self.bench.value(first)
        cost = np.inf
        history = np.full(memory, np.inf)
        made = 0
        while budget.left() > 0 and (
            budget.until is not None or made * RUN_IN_TRIALS < budget.trials
        ):
            trial, pauses = self._change(jobs, waits) if made else (jobs, waits)
            times = self._run(trial, pauses)
            value = self.bench.value(times)
            new = float(self.weights @ value)
            if new <= cost or new <= history[made % memory]:
                jobs, waits, cost = trial, pauses, new
                if anneal.better(value, best_value, self.order):
                    best, best_value = times, value
            history[made % memory] = min(history[made % memory], cost)
            made += 1
        return best

    def _change(self, jobs: Array, waits: Array) -> tuple[Array, Array]:
        """Return another order: one job elsewhere, two exchanged, or another wait."""
        n, kind = len(jobs), self.random.random()
        if kind > 0.92 and len(self.waits) > 1:
            pauses = waits.copy()
            wait = self.waits[self.random.integers(len(self.waits))]
            if self.random.random() < 0.3:
                pauses[:] = wait
            else:
                pauses[self.random.integers(n)] = wait
            return jobs, pauses
        i, k = self.random.integers(n, size=2)
        if kind < 0.5:
            without = np.delete(jobs, i)
            return np.insert(without, k, jobs[i]), waits
        trial = jobs.copy()
        trial[[i, k]] = trial[[k, i]]
        return trial, waits

    def _run(self, jobs: Array, waits: Array) -> future.Times:
        rank = np.empty(len(jobs))
        rank[jobs] = np.arange(len(jobs))
        owner = self.bench.shop.step_job
        return self.bench.run((queues.FIXED, 1.0, rank[owner]), waits[owner])

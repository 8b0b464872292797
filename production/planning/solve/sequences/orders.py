"""Search the order in which the dispatch kernel serves the jobs.

A run of the kernel under a given order of the jobs makes a whole plan at once, batches
and all, so that few changes of the order reach far. Late acceptance (Burke and Bykov
2017): a change is taken if it is no worse than now or than what was some steps ago.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
from numba import njit

from production.planning.kernel import future, queues, simulation
from production.planning.solve.sequences import anneal
from production.planning.solve.sequences.moves import chance, draw
from production.planning.solve.sequences.search import CHUNK_SECONDS, Budget
from production.planning.solve.sequences.start import Bench, worth

Array = np.ndarray[Any, Any]
RUN_IN_TRIALS = 4  # what a kernel run counts where work is bounded
LEAST_MEMORY = 10  # runs
INSERTED, WAITED = 0.46, 0.08  # shares of one job elsewhere, of other waits; the rest exchange two
FOR_ALL = 0.3  # of other waits


class OrderSearch:
    """Priorities and waits by job, improved over the simulation."""

    def __init__(self, bench: Bench, weights: Array, order: Array, seed: int) -> None:
        self.bench = bench
        self.weights = weights
        self.order = order
        self.seed = anneal.generator(seed)
        self.waits = np.array(bench.waits())

    def improve(
        self, first: future.Times, wait: float, budget: Budget, memories: int
    ) -> future.Times:
        """Return the best run found, beginning with the order in which jobs end in ``first``.

        A value is forgotten ``memories`` times in all the runs that the budget allows: the
        fewer, the longer the search wanders before it settles.
        """
        b = self.bench
        jobs = np.argsort(first.finish, kind="stable")
        waits = np.full(len(jobs), wait)
        best_jobs, best_waits, best_value = jobs.copy(), waits.copy(), b.value(first)
        history = np.full(LEAST_MEMORY, np.inf)
        cost, made, count, found, began = np.inf, 0, LEAST_MEMORY, False, time.monotonic()
        while budget.left() > 0:
            if budget.until is None:
                count = min(count, budget.trials // RUN_IN_TRIALS - made)
                if count <= 0:
                    break
            cost, better = wander(
                b.shop, b.draw, b.goals, self.waits, self.weights, self.order,
                jobs, waits, best_jobs, best_waits, best_value, history, cost, made, count,
                self.seed,
            )  # fmt: skip
            found |= better
            made += count
            speed = made / max(time.monotonic() - began, 1e-6)
            left = budget.trials / RUN_IN_TRIALS - made
            if budget.until is not None:
                left = speed * max(budget.left(), 0.0)
            if made == LEAST_MEMORY:
                history = np.full(max(int(left) // memories, LEAST_MEMORY), history.max())
            count = 1000 if budget.until is None else max(int(speed * CHUNK_SECONDS), 1)
        return self._run(best_jobs, best_waits) if found else first

    def _run(self, jobs: Array, waits: Array) -> future.Times:
        rank = np.empty(len(jobs))
        rank[jobs] = np.arange(len(jobs))
        owner = self.bench.shop.step_job
        return self.bench.run((queues.FIXED, 1.0, rank[owner]), waits[owner])


@njit(cache=True, nogil=True)
def change(jobs, waits, choice, seed):  # type: ignore[no-untyped-def]
    """Put one job elsewhere, exchange two, or let jobs wait otherwise for fuller batches."""
    n = jobs.shape[0]
    kind = chance(seed)
    i, k = draw(seed, n), draw(seed, n)
    if kind < WAITED and choice.shape[0] > 1:
        wait = choice[draw(seed, choice.shape[0])]
        if chance(seed) < FOR_ALL:
            waits[:] = wait
        else:
            waits[i] = wait
    elif kind < WAITED + INSERTED:
        job = jobs[i]
        while i < k:
            jobs[i] = jobs[i + 1]
            i += 1
        while i > k:
            jobs[i] = jobs[i - 1]
            i -= 1
        jobs[k] = job
    else:
        jobs[i], jobs[k] = jobs[k], jobs[i]


@njit(cache=True, nogil=True)
def wander(
    shop, drawn, goals, choice, weights, order, jobs, waits, best_jobs, best_waits,
    best_value, history, cost, made, count, seed,
):  # fmt: skip  # type: ignore[no-untyped-def]
    """Try ``count`` changes of the order; return its cost and whether the best was bettered.

    Parameters
    ----------
    shop, drawn : Shop, Draw
        The bench, and the one future that it is run on.
    goals : Goals
    choice : (w,) float64
        Waits worth trying.
    weights, order : (VALUES,) float64, (k,) int64
        Of the value: what leads the walk, and its exact order.
    jobs, waits : (J,) int64, (J,) float64
        The present order, and the wait of each job; changed.
    best_jobs, best_waits, best_value : (J,), (J,), (VALUES,)
        The best found so far; changed.
    history : (memory,) float64
        Costs of some steps ago; changed.
    cost : float
        Of the present order, inf before its first run.
    made : int
        Changes tried before; the first run of all is of the order as it is.
    count : int
    seed : (1,) int64
    """
    trial, pauses = jobs.copy(), waits.copy()
    steps = shop.step_job.shape[0]
    rank = np.empty(jobs.shape[0])
    value = np.empty(best_value.shape[0])
    bettered = False
    for number in range(made, made + count):
        trial[:] = jobs
        pauses[:] = waits
        if number > 0:
            change(trial, pauses, choice, seed)
        for place in range(trial.shape[0]):
            rank[trial[place]] = place
        key, wait = np.empty(steps), np.empty(steps)
        for i in range(steps):
            key[i] = rank[shop.step_job[i]]
            wait[i] = pauses[shop.step_job[i]]
        policy = future.Policy(queues.FIXED, 1.0, key, wait, shop.not_before)
        worth(simulation.simulate(shop, policy, drawn).finish, goals, value)
        new = anneal.weighted(value, weights)
        slot = number % history.shape[0]
        if new <= cost or new <= history[slot]:
            jobs[:] = trial
            waits[:] = pauses
            cost = new
            if anneal.better(value, best_value, order):
                best_jobs[:] = trial
                best_waits[:] = pauses
                best_value[:] = value
                bettered = True
        history[slot] = min(history[slot], cost)
    return cost, bettered

"""First plans: what the bench's dispatch rules make of the day, as sequences."""

from __future__ import annotations

from typing import Any

import numpy as np

from production.planning import future, kernel, queues, shop
from production.planning.solve import anneal
from production.planning.solve.openwork import OpenWork
from production.planning.solve.search import Budget
from production.planning.solve.timing import (
    BLK,
    HEAD,
    LATE,
    LEAD,
    MEM,
    NEXT,
    PREV,
    RES,
    ROWS,
    SPAN,
    STUCK,
    TAIL,
    TARDY,
)

Array = np.ndarray[Any, Any]

WAITS = (0.0, 20.0, 60.0, 1e6)


class Bench:
    """The compiled kernel, ready to run a problem's medians under dispatch rules."""

    def __init__(self, work: OpenWork) -> None:
        self.work = work
        self.shop = shop.make_shop(work.problem)
        n = len(self.shop.step_job)
        self.rows = np.array([self.shop.job_first[j] + i for j, i in work.steps], np.int64).reshape(
            -1
        )
        self.draw = future.Draw(
            minutes=self.shop.minutes[None, :].copy(),
            luck=np.ones((1, n)),
            run_luck=np.ones((1, n)),
            factor=np.ones(1),
        )
        self.nothing = np.zeros(n)

    def rules(self) -> dict[str, tuple[int, float, Array]]:
        """Return name -> (moving, look-ahead, key) of the classical dispatch rules."""
        s = self.shop
        promise = np.where(np.isfinite(s.promise), s.promise, 1e9)[s.step_job]
        typical = float(np.mean(s.minutes)) if len(s.minutes) else 1.0
        weight = np.maximum(s.weight[s.step_job], 1e-9)
        fixed = {
            "earliest due": promise,
            "least slack": promise - s.remaining,
            "first come": self.nothing,
            "shortest": s.minutes,
            "weighted shortest": s.minutes / weight,
            "longest": -s.minutes,
            "most work": -s.remaining,
            "least work": s.remaining / weight,
        }
        rules = {name: (queues.FIXED, 1.0, key) for name, key in fixed.items()}
        rules["apparent cost"] = (queues.APPARENT_COST, 2.0 * max(typical, 1e-6), self.nothing)
        rules["apparent cost, far"] = (queues.APPARENT_COST, 6.0 * max(typical, 1e-6), self.nothing)
        rules["critical ratio"] = (queues.CRITICAL_RATIO, 1.0, self.nothing)
        return rules

    def run(self, rule: tuple[int, float, Array], wait: float) -> future.Times:
        """Return the times under a rule; ``wait`` is minutes for a fuller batch."""
        moving, look_ahead, key = rule
        policy = future.Policy(
            moving=moving,
            look_ahead=look_ahead,
            key=np.ascontiguousarray(key, np.float64),
            wait=np.full(len(key), wait),
            hold=self.nothing,
        )
        return kernel.simulate(self.shop, policy, self.draw)

    def waits(self) -> tuple[float, ...]:
        """Return the waits worth trying: without batch resources there is one."""
        return WAITS if any(r.batch for r in self.work.problem.resources) else WAITS[:1]

    def value(self, times: future.Times) -> Array:
        """Return the value of a kernel run, by row as in ``timing.py``."""
        a = self.work.arrays
        finish = np.maximum(times.finish, 0.0)
        stuck = ~np.isfinite(finish)
        finish[stuck] = 1e9
        unit = np.zeros(len(a.units))
        np.maximum.at(unit, a.job_unit, finish)
        handed = unit[a.job_unit]
        over = handed - a.job_due
        value = np.zeros(5)
        value[LATE] = np.count_nonzero(over > 1e-9)
        value[TARDY] = a.job_weight @ np.maximum(over, 0.0)
        value[LEAD] = handed.sum()
        value[SPAN] = finish.max(initial=0.0)
        value[STUCK] = np.count_nonzero(stuck)
        return value

    def improve_order(
        self, best: future.Times, wait: float, order: Array, budget: Budget, seed: int
    ) -> future.Times:
        """Search job priorities over the kernel from one run on; return the best run.

        Jobs move in the order of their ends: one job goes elsewhere, or two change
        places; now and then the wait for fuller batches changes.
        """
        rank = np.argsort(np.argsort(best.finish, kind="stable"), kind="stable")
        jobs = np.argsort(rank)
        value: Array | None = None
        rnd = np.random.default_rng(seed)
        made = 0
        while budget.left() > 0 and (budget.until is not None or made * 20 < budget.trials):
            trial, pause = jobs.copy(), wait
            if value is not None:
                i, k = rnd.integers(len(jobs), size=2)
                kind = rnd.random()
                if kind < 0.5:
                    trial = np.insert(np.delete(jobs, i), k, jobs[i])
                elif kind < 0.95:
                    trial[[i, k]] = trial[[k, i]]
                else:
                    pause = self.waits()[rnd.integers(len(self.waits()))]
            rank[trial] = np.arange(len(trial))
            times = self.run((queues.FIXED, 1.0, rank[self.shop.step_job].astype(float)), pause)
            new = self.value(times)
            made += 1
            if value is None or not anneal.better(value, new, order):
                jobs, wait, value = trial, pause, new
                if anneal.better(new, self.value(best), order):
                    best = times
        return best

    def state(self, times: future.Times) -> Array:
        """Return a kernel run as a state table; what never ran comes last."""
        a = self.work.arrays
        start = times.start[self.rows]
        resource, run = times.resource[self.rows].copy(), times.run[self.rows].copy()
        for o in np.flatnonzero(~np.isfinite(start)):
            resource[o] = a.choice[a.choice_from[o]]
            run[o] = len(self.nothing) + o
        return table(self.work, start, resource, run)


def table(work: OpenWork, start: Array, resource: Array, run: Array) -> Array:
    """Return the state table of given starts, resources and runs.

    Parameters
    ----------
    work : OpenWork
    start, resource, run : (n,)
        Steps with the same ``run`` on a batch resource are one block.

    Returns
    -------
    (ROWS, width) int32
    """
    a = work.arrays
    n = len(a.step_job)
    s = empty(work)
    tail = s[TAIL]
    label: dict[tuple[int, int], int] = {}
    depth = np.array([i for _, i in work.steps], np.int64).reshape(-1)
    for o in np.lexsort((np.arange(n), depth, start)):
        r = int(resource[o])
        block = label.get((r, int(run[o]))) if a.batch[r] else None
        if block is not None:
            s[BLK, o], s[MEM, o] = block, s[MEM, block]
            s[MEM, block] = o
            continue
        label[r, int(run[o])] = int(o)
        s[BLK, o], s[RES, o], s[PREV, o] = o, r, tail[r]
        if tail[r] >= 0:
            s[NEXT, tail[r]] = o
        else:
            s[HEAD, r] = o
        tail[r] = o
    return s


def empty(work: OpenWork) -> Array:
    """Return a state table without any block."""
    width = max(len(work.arrays.step_job), len(work.arrays.batch), 1)
    return np.full((ROWS, width), -1, np.int32)

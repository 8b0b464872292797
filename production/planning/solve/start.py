"""First plans: what the bench's dispatch rules make of the day, as sequences."""

from __future__ import annotations

from typing import Any

import numpy as np

from production.planning import kernel, shop
from production.planning.solve.openwork import OpenWork
from production.planning.solve.timing import BLK, HEAD, MEM, NEXT, PREV, RES, ROWS, TAIL

Array = np.ndarray[Any, Any]

RULES = (
    kernel.EARLIEST_DUE,
    kernel.LEAST_SLACK,
    kernel.APPARENT_COST,
    kernel.FIRST_COME,
    kernel.SHORTEST,
    kernel.LONGEST,
    kernel.MOST_WORK,
    kernel.CRITICAL_RATIO,
)
WAITS = (0.0, 20.0, 60.0, 1e6)


class Bench:
    """The compiled kernel, ready to run a problem's medians under any rule."""

    def __init__(self, work: OpenWork) -> None:
        self.work = work
        self.shop = shop.make_shop(work.problem)
        n = len(self.shop.step_job)
        self.rows = np.array(
            [self.shop.job_first[j] + i for j, i in work.steps], np.int64
        ).reshape(-1)
        self.draw = kernel.Draw(
            minutes=self.shop.minutes[None, :].copy(),
            luck=np.ones((1, n)),
            run_luck=np.ones((1, n)),
            factor=np.ones(1),
        )
        self.typical = float(np.mean(self.shop.minutes)) if n else 1.0
        self.zeros = np.zeros(n)

    def run(self, rule: int, wait: float, key: Array | None = None) -> kernel.Times:
        """Return the times under a rule; ``wait`` is minutes for a fuller batch."""
        policy = kernel.Policy(
            rule=rule,
            look_ahead=2.0,
            typical=max(self.typical, 1e-6),
            key=self.zeros if key is None else key,
            wait=np.full(len(self.zeros), wait),
            hold=self.zeros,
        )
        return kernel.simulate(self.shop, policy, self.draw)

    def state(self, times: kernel.Times) -> Array | None:
        """Return a kernel run as a state table; None if some step never ran."""
        start = times.start[self.rows]
        if not np.all(np.isfinite(start)):
            return None
        return table(self.work, start, times.resource[self.rows], times.run[self.rows])


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

"""First plans: what the bench's dispatch rules make of the day, as sequences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numba import njit

from production.planning.kernel import future, queues, shop, simulation
from production.planning.solve.sequences.openwork import OpenWork
from production.planning.solve.sequences.timing import (
    AFTER,
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
    VALUES,
)

Array = np.ndarray[Any, Any]

WAITS = (0.0, 20.0, 60.0, 1e6)
NO_END = 1e9  # minutes that stand for no end


class Goals(NamedTuple):
    """What the times of jobs are measured by."""

    unit: Array  # (J,) number of what is handed over together
    due: Array  # (J,)
    weight: Array  # (J,)
    units: int  # how many of those


@njit(cache=True, nogil=True)
def worth(finish, goals, value):  # type: ignore[no-untyped-def]
    """Fill ``value`` (VALUES,), by row as in ``timing.py``, from the finishes (J,) of a run.

    What was done before now counts with its own end, which may have been in time.
    """
    over = np.full(goals.units, -np.inf)
    value[:] = 0.0
    for j in range(finish.shape[0]):
        end = finish[j]
        if not end < np.inf:
            end = NO_END
            value[STUCK] += 1.0
        value[SPAN] = max(value[SPAN], end)
        over[goals.unit[j]] = max(over[goals.unit[j]], end)
    for j in range(finish.shape[0]):
        end = over[goals.unit[j]]
        late = end - goals.due[j]
        value[LEAD] += end
        if late > 0.0:
            value[TARDY] += goals.weight[j] * late
            if late > 1e-9:
                value[LATE] += 1.0


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
        a = work.arrays
        self.goals = Goals(a.job_unit, a.job_due, a.job_weight, len(a.units))

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

    def run(self, rule: tuple[int, float, Array], wait: float | Array) -> future.Times:
        """Return the times under a rule; ``wait`` is minutes for a fuller batch (by step)."""
        moving, look_ahead, key = rule
        policy = future.Policy(
            moving=moving,
            look_ahead=look_ahead,
            key=np.ascontiguousarray(key, np.float64),
            wait=np.broadcast_to(np.asarray(wait, np.float64), key.shape).copy(),
            hold=self.shop.not_before,
        )
        return simulation.simulate(self.shop, policy, self.draw)

    def waits(self) -> tuple[float, ...]:
        """Return the waits worth trying: without batch resources there is one."""
        return WAITS if any(r.batch for r in self.work.problem.resources) else WAITS[:1]

    def value(self, times: future.Times) -> Array:
        """Return the value of a kernel run, by row as in ``timing.py``."""
        value = np.zeros(VALUES)
        worth(times.finish, self.goals, value)
        return value

    def one_by_one(self) -> Array:
        """Return the state that serves one job after another, each step by itself."""
        a = self.work.arrays
        turn = np.arange(len(a.step_job))
        return table(self.work, turn, a.choice[a.choice_from[:-1]], turn)

    def states(self, times: future.Times) -> list[Array]:
        """Return a kernel run as state tables: as it is, and with helpers kept to their turn."""
        state, rows = self.state(times), self.rows
        if not self.work.arrays.helped:
            return [state]
        return [state, in_turn(self.work, state, times.start[rows], times.run[rows])]

    def state(self, times: future.Times) -> Array:
        """Return a kernel run as a state table; what never ran comes last."""
        a = self.work.arrays
        start = times.start[self.rows]
        resource, run = times.resource[self.rows].copy(), times.run[self.rows].copy()
        n = len(self.nothing)
        for o in np.flatnonzero(~np.isfinite(start)):
            resource[o] = a.choice[a.choice_from[o]]
            run[o] = (n + int(a.step_left.max()) - int(a.step_left[o])) * n + o
        return table(self.work, start, resource, run, run)


def in_turn(work: OpenWork, state: Array, start: Array, turn: Array) -> Array:
    """Return the state in which helpers go from block to block in the order of given starts.

    Of blocks that may ask for the same helper, or run on one, each waits for the one before
    it. ``turn`` orders equal starts; what has no start waits for nobody.
    """
    a = work.arrays
    state = state.copy()
    pool = _pools(work)
    people = {
        int(h): pool[k]
        for k in range(len(pool))
        for h in a.help[a.help_from[k] : a.help_from[k + 1]]
    }
    members = runs(state, len(start))
    latest: dict[int, int] = {}
    for o in np.lexsort((np.arange(len(start)), turn, start)):
        if not np.isfinite(start[o]):
            break
        block = int(state[BLK, o])
        together = members.pop(block, [])  # a run takes its turn once, with its first member
        mine = {pool[k] for m in together for k in a.need[a.need_from[m] : a.need_from[m + 1]]}
        if together and state[RES, block] in people:
            mine.add(people[int(state[RES, block])])
        before = [latest[k] for k in mine if k in latest]
        if before:
            state[AFTER, o] = max(before, key=lambda x: start[x])
        latest |= dict.fromkeys(mine, int(o))
    return state


def _pools(work: OpenWork) -> list[int]:
    """Return a number by kind of helper, the same for kinds that share anybody."""
    a = work.arrays
    people = [
        set(a.help[a.help_from[k] : a.help_from[k + 1]].tolist())
        for k in range(len(a.help_from) - 1)
    ]
    pool = list(range(len(people)))
    for k, mine in enumerate(people):
        for other in {pool[i] for i in range(k) if mine & people[i]}:
            pool = [k if number == other else number for number in pool]
    return pool


def planned(work: OpenWork, steps: Sequence[Mapping[str, Any]]) -> tuple[list[Array], list[int]]:
    """Return the order of an earlier plan as state tables, and the jobs it did not know.

    The first keeps helpers to their turn as well. These jobs come last, each step by
    itself, and so does a job whose route is another now.

    Parameters
    ----------
    work : OpenWork
    steps : sequence of dict
        The ``steps`` of a PLAN. What is not open any more is left out; of the times
        only their order counts.
    """
    a, n = work.arrays, len(work.steps)
    number = {str(r.id): k for k, r in enumerate(work.problem.resources)}
    rows = {(str(row["job"]), row["index"]): row for row in steps}
    found = [rows.get((str(work.problem.jobs[j].id), i)) for j, i in work.steps]
    start, resource, run = (
        np.full(n, np.inf),
        a.choice[a.choice_from[:-1]].copy(),
        -1 - np.arange(n),
    )
    load: dict[tuple[int, Any, int], float] = {}
    numbers: dict[tuple[int, Any, int], int] = {}
    fresh: set[int] = set()
    for o, row in enumerate(found):
        j, before = int(a.step_job[o]), a.step_prev[o]
        r = -1 if row is None else number.get(str(row["resource"]), -1)
        if row is None or r < 0 or a.minutes[o, r] < 0:
            fresh.add(j)
            continue
        start[o], resource[o] = row["start"], r
        if before >= 0 and start[before] > start[o]:
            fresh.add(j)
        batch = (r, row["batch"], int(a.step_lot[o]))
        load[batch] = load.get(batch, 0.0) + a.step_size[o]
        if row["batch"] is not None and load[batch] <= a.capacity[r]:
            run[o] = numbers.setdefault(batch, len(numbers))
    mine = np.isin(a.step_job, list(fresh))
    start[mine], run[mine] = np.inf, -1 - np.flatnonzero(mine)
    state = table(work, start, resource, run)
    turn = np.array([i for _, i in work.steps], np.int64).reshape(-1)
    held = [in_turn(work, state, start, turn)] if a.helped else []
    return [*held, state], sorted(fresh)


def table(
    work: OpenWork, start: Array, resource: Array, run: Array, turn: Array | None = None
) -> Array:
    """Return the state table of given starts, resources and runs.

    Parameters
    ----------
    work : OpenWork
    start, resource, run : (n,)
        Steps with the same ``run`` on a batch resource are one block.
    turn : (n,), optional
        Order of equal starts (default: the step's place in its job).

    Returns
    -------
    (ROWS, width) int32
    """
    a = work.arrays
    n = len(a.step_job)
    s = empty(work)
    tail = s[TAIL]
    label: dict[tuple[int, int], int] = {}
    if turn is None:
        turn = np.array([i for _, i in work.steps], np.int64).reshape(-1)
    for o in np.lexsort((np.arange(n), turn, start)):
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


def runs(state: Array, steps: int) -> dict[int, list[int]]:
    """Return the members of every run of a state (a batch, or a step alone), by its block."""
    found: dict[int, list[int]] = {}
    for o, block in enumerate(state[BLK, :steps].tolist()):
        found.setdefault(block, []).append(o)
    return found


def empty(work: OpenWork) -> Array:
    """Return a state table without any block."""
    width = max(len(work.arrays.step_job), len(work.arrays.batch), 1)
    return np.full((ROWS, width), -1, np.int32)

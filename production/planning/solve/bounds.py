"""Lower bounds that need no search: each job by itself, each group of machines by itself."""

from __future__ import annotations

import heapq
from typing import Any

import numpy as np

from production.planning.solve.sequences.openwork import INFINITE, OpenWork, scratch
from production.planning.solve.sequences.timing import (
    LATE,
    LEAD,
    NEVER,
    SPAN,
    STUCK,
    TARDY,
    opening,
)

Array = np.ndarray[Any, Any]
CRITERIA = {
    "promises": (LATE, TARDY, LEAD),
    "weighted_tardiness": (TARDY,),
    "makespan": (SPAN,),
}


def settled(value: Array, lower: dict[int, float], objective: str) -> int:
    """Return how many of the objective's criteria, from the first on, meet their bounds."""
    count = 0
    for c in CRITERIA[objective]:
        if value[STUCK] > 0 or value[c] > lower.get(c, -1.0) + 1e-6 * (1.0 + abs(value[c])):
            break
        count += 1
    return count


def reached(value: Array, lower: dict[int, float], objective: str) -> bool:
    """Whether a value meets the bounds in all criteria of the objective."""
    return settled(value, lower, objective) == len(CRITERIA[objective])


def simple(work: OpenWork) -> dict[int, float]:
    """Return lower bounds by criterion."""
    a = work.arrays
    early = earliest_ends(work)
    done = np.array(
        [a.job_end[j] if last < 0 else early[last] for j, last in enumerate(a.job_last)]
    ).reshape(len(a.job_last))
    unit = np.full(len(a.units), -np.inf)  # what was done is over before now
    np.maximum.at(unit, a.job_unit, done)
    handed = unit[a.job_unit]
    over = np.where(a.job_due < INFINITE, np.maximum(handed - a.job_due, 0.0), 0.0)
    late, span = float(np.sum(over > 1e-9)), float(max(done, default=0.0))
    tails = _tails(work)
    for steps in _machine_groups(work):
        late = max(late, _late_on(work, steps, early, tails))
        span = max(span, _span_on(work, steps, early, tails))
    return {
        LATE: late,
        TARDY: float(np.sum(a.job_weight * over)),
        LEAD: float(np.sum(handed)),
        SPAN: span,
    }


def earliest_ends(work: OpenWork) -> Array:
    """Return by step when it would end if its job had the bench to itself."""
    a, w = work.arrays, scratch(work.arrays)
    w.window_at[:] = a.window_from[:-1]
    w.down_at[:] = a.down_from[:-1]
    end = np.zeros(len(a.step_job))
    for o in range(len(end)):
        ready = a.step_ready[o]
        if a.step_prev[o] >= 0:
            ready = max(ready, end[a.step_prev[o]])
        best = NEVER
        for r in a.choice[a.choice_from[o] : a.choice_from[o + 1]]:
            t = max(ready, a.free_from[r]) if a.shared[r] < 0 else ready
            length = a.minutes[o, r]
            begin = opening(
                a.window, a.window_from[r], a.window_from[r + 1], a.down, a.down_from[r],
                a.down_from[r + 1], t, length, bool(a.step_attended[o]),
            )  # fmt: skip
            best = min(best, begin + length)
        end[o] = best if best < NEVER else ready
    return end


def _machine_groups(work: OpenWork) -> list[list[int]]:
    """Return the steps of every set of resources that shares no step with another."""
    a = work.arrays
    parent = list(range(len(a.batch)))

    def root(r: int) -> int:
        while parent[r] != r:
            r = parent[r]
        return r

    for o in range(len(a.step_job)):
        choices = a.choice[a.choice_from[o] : a.choice_from[o + 1]]
        for r in choices[1:]:
            parent[root(int(r))] = root(int(choices[0]))
    groups: dict[int, list[int]] = {}
    for o in range(len(a.step_job)):
        groups.setdefault(root(int(a.choice[a.choice_from[o]])), []).append(o)
    return list(groups.values())


def _work_on(work: OpenWork, steps: list[int]) -> tuple[Array, list[int]]:
    """Return each step's least share of the group's time, and the group's machines."""
    a = work.arrays
    machines = sorted({int(r) for o in steps for r in _choices(work, o)})
    room = 0.0
    for r in machines:
        room += a.capacity[r] if a.batch[r] or a.shared[r] >= 0 else 1.0
    share = np.zeros(len(steps))
    for k, o in enumerate(steps):
        share[k] = min(
            a.minutes[o, r]
            * (min(a.step_size[o], a.capacity[r]) if a.batch[r] or a.shared[r] >= 0 else 1.0)
            for r in _choices(work, o)
        )
    return share / room, machines


def _choices(work: OpenWork, o: int) -> Array:
    a = work.arrays
    return a.choice[a.choice_from[o] : a.choice_from[o + 1]]


def _tails(work: OpenWork) -> Array:
    """Return by step the least time from its end to the end of its job."""
    a = work.arrays
    tail = np.zeros(len(a.step_job))
    for o in reversed(range(len(tail))):
        after = a.step_next[o]
        if after >= 0:
            least = min(a.minutes[after, r] for r in _choices(work, after))
            tail[o] = tail[after] + least
    return tail


def _span_on(work: OpenWork, steps: list[int], early: Array, tails: Array) -> float:
    """Bound the makespan by one group: preemptive schedule of one machine, else the average."""
    a = work.arrays
    share, machines = _work_on(work, steps)
    least = np.array([min(a.minutes[o, r] for r in _choices(work, o)) for o in steps])
    head = early[steps] - least
    tail = tails[steps]
    one = machines[0]
    if len(machines) == 1 and a.shared[one] < 0 and not a.batch[one]:
        return _preemptive(head, least, tail)
    return float(head.min() + share.sum() + tail.min())


def _preemptive(head: Array, length: Array, tail: Array) -> float:
    """Return Jackson's preemptive bound of one machine."""
    order = np.argsort(head, kind="stable")
    waiting: list[tuple[float, int]] = []
    left = length.copy()
    t, span, k = 0.0, 0.0, 0
    while k < len(order) or waiting:
        if not waiting:
            t = max(t, head[order[k]])
        while k < len(order) and head[order[k]] <= t:
            heapq.heappush(waiting, (-tail[order[k]], int(order[k])))
            k += 1
        _, o = waiting[0]
        until = head[order[k]] if k < len(order) else np.inf
        run = min(left[o], until - t)
        t += run
        left[o] -= run
        if left[o] <= 1e-12:
            heapq.heappop(waiting)
            span = max(span, t + tail[o])
    return float(span)


def _late_on(work: OpenWork, steps: list[int], early: Array, tails: Array) -> float:
    """Bound the late jobs by one group: Moore and Hodgson's rule on its pooled time."""
    a = work.arrays
    share, _ = _work_on(work, steps)
    least = np.array([min(a.minutes[o, r] for r in _choices(work, o)) for o in steps])
    begin = float((early[steps] - least).min())
    load: dict[int, float] = {}
    latest: dict[int, float] = {}
    for k, o in enumerate(steps):
        j = int(a.step_job[o])
        load[j] = load.get(j, 0.0) + share[k]
        latest[j] = a.job_due[j] - tails[o]
    t, late = begin, 0
    kept: list[float] = []
    for j in sorted((j for j in load if a.job_due[j] < INFINITE), key=lambda j: latest[j]):
        t += load[j]
        heapq.heappush(kept, -load[j])
        if t > latest[j] + 1e-6:
            t += heapq.heappop(kept)
            late += 1
    return float(late)

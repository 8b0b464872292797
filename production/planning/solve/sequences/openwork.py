"""The array form of a problem that the sequence search reads."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from production.planning.entities import Problem, Step
from production.planning.solve.sequences.timing import VALUES

Array = np.ndarray[Any, Any]
INFINITE = 1e18
Busy = list[tuple[float, float]]  # (end, size) of what runs side by side now


class Arrays(NamedTuple):
    """A shop as flat arrays; ``n`` open steps, ``m`` resources, ``j`` jobs.

    Times are minutes (float64), indices int32, ``-1`` none.
    """

    step_job: Array
    step_prev: Array
    step_next: Array
    step_size: Array
    step_family: Array  # for set-up
    step_lot: Array  # what may share a batch
    step_attended: Array
    step_class: Array  # equal where two steps may run on the same resources
    step_left: Array  # steps of the job still to come
    hands: Array  # minutes that helpers are held, -1: not said
    need_from: Array
    need: Array  # number of the helper list
    help_from: Array
    help: Array
    helped: bool
    minutes: Array  # (n, m), -1 where the step may not run
    choice_from: Array
    choice: Array
    batch: Array
    capacity: Array
    shared: Array  # row in busy_until of a side-by-side resource, else -1
    setup: Array
    plain: Array  # always open, no downtime, no set-up, one by one
    free_from: Array  # end of what is running there
    last_family: Array  # family of what is running there, -1 none
    busy_until: Array  # (s, k) ends of what runs side by side now
    busy_size: Array
    window_from: Array
    window: Array  # (w, 2) open from, to
    down_from: Array
    down: Array
    step_ready: Array  # not before; of a job's first open step also not before the job is free
    job_last: Array  # last step still to do, -1 none
    job_end: Array  # end of a job with nothing left to do
    job_due: Array  # INFINITE: none
    job_weight: Array
    job_release: Array
    job_unit: Array  # number of what is handed over together
    units: Array  # (u,) only its length counts
    shut: Array  # (g, 2) from, to: nothing is open on which a job can end


class Scratch(NamedTuple):
    """Working memory of one evaluation."""

    start: Array  # by step
    end: Array
    ready: Array  # by block
    need: Array
    stack: Array
    clock: Array  # by resource: end (one by one) or start (side by side) of the last run
    family: Array
    window_at: Array
    down_at: Array
    active_end: Array
    active_size: Array
    active: Array
    need_kind: Array
    held: Array
    helper: Array
    helping: Array
    waiting: Array  # by block: first of the steps that wait for its beginning
    next_waiting: Array
    unit_end: Array
    value: Array
    patience: Array  # (1,) minutes from which on a late job is given up


@dataclass(frozen=True)
class Running:
    """A step that has started and not ended."""

    job: int
    index: int
    resource: int
    start: float
    end: float


@dataclass(frozen=True)
class OpenWork:
    """What is still to be done, as arrays, and the way back to the problem."""

    problem: Problem
    arrays: Arrays
    steps: tuple[tuple[int, int], ...]  # (job, index) of every open step
    running: tuple[Running, ...]


def scratch(a: Arrays) -> Scratch:
    """Return working memory that fits the shop."""
    n, m = len(a.step_job), len(a.batch)
    rows, width = len(a.busy_until), n + a.busy_until.shape[1] + len(a.need)
    kinds = max(1, len(a.help_from) - 1)
    work = a.minutes.max(axis=1, initial=0.0).sum() / max(len(a.job_last), 1)
    return Scratch(
        start=np.zeros(n),
        end=np.zeros(n),
        ready=np.zeros(n),
        need=np.zeros(n, np.int32),
        stack=np.zeros(n, np.int32),
        clock=np.zeros(m),
        family=np.zeros(m, np.int32),
        window_at=np.zeros(m, np.int32),
        down_at=np.zeros(m, np.int32),
        active_end=np.zeros((rows, width)),
        active_size=np.zeros((rows, width)),
        active=np.zeros(rows, np.int32),
        need_kind=np.zeros(kinds, np.int32),
        held=np.zeros(kinds),
        helper=np.zeros(kinds, np.int32),
        helping=np.zeros(1, np.int32),
        waiting=np.zeros(n, np.int32),
        next_waiting=np.zeros(n, np.int32),
        unit_end=np.zeros(len(a.units)),
        value=np.zeros(VALUES),
        patience=np.array([max(0.5 * work, 1.0)]),
    )


def _running_end(problem: Problem, step: Step, resource: int) -> float:
    """Return when a started step is expected to end: never before now."""
    assert step.started is not None
    minutes = dict(problem.eligible(step)).get(resource, step.minutes)
    return max(step.started + minutes, 0.0)


def open_work(problem: Problem) -> OpenWork:
    """Return the arrays of everything that is still to be done.

    A step that has started keeps its place: its job goes on when it ends, its machine
    is free when it ends.
    """
    number = {str(r.id): i for i, r in enumerate(problem.resources)}
    running: list[Running] = []
    names: list[tuple[int, int]] = []
    ready, end = [], []
    for j, job in enumerate(problem.jobs):
        at = max(job.release, 0.0)
        over = 0.0
        for i, step in enumerate(job.steps):
            if step.open:
                names.append((j, i))
            elif not step.done:
                where = number[str(step.resource)]
                finish = _running_end(problem, step, where)
                running.append(Running(j, i, where, float(step.started or 0.0), finish))
            elif step.ended is not None:
                over = step.ended
        ready.append(at)
        end.append(over)
    running = _end_together(problem, running)
    for run in running:
        ready[run.job] = max(ready[run.job], run.end)
        if not any(s.open for s in problem.jobs[run.job].steps):
            end[run.job] = run.end
    return OpenWork(
        problem,
        _arrays(problem, names, running, np.array(ready, float), np.array(end, float)),
        tuple(names),
        tuple(running),
    )


def _end_together(problem: Problem, running: list[Running]) -> list[Running]:
    """Let the members of a batch that runs now end with the longest."""

    def batch(run: Running) -> Hashable:
        step = problem.jobs[run.job].steps[run.index]
        alone = not problem.resources[run.resource].batch
        return (run.resource, run.start, step.kind, step.family, run.job if alone else -1)

    last: dict[Hashable, float] = {}
    for run in running:
        last[batch(run)] = max(last.get(batch(run), 0.0), run.end)
    return [replace(run, end=last[batch(run)]) for run in running]


def _arrays(
    problem: Problem,
    names: list[tuple[int, int]],
    running: list[Running],
    ready: Array,
    end: Array,
) -> Arrays:
    steps = [problem.jobs[j].steps[i] for j, i in names]
    n, m = len(steps), len(problem.resources)
    owner = np.array([j for j, _ in names], np.int32).reshape(n)
    prev = np.array([o - 1 if o and owner[o - 1] == owner[o] else -1 for o in range(n)], np.int32)
    after = np.array(
        [o + 1 if o + 1 < n and owner[o + 1] == owner[o] else -1 for o in range(n)], np.int32
    )
    last = np.full(len(problem.jobs), -1, np.int32)
    left = np.zeros(n, np.int32)
    for o in range(n):
        last[owner[o]] = max(last[owner[o]], o)
    for o in reversed(range(n)):
        left[o] = 0 if after[o] < 0 else left[after[o]] + 1
    minutes = np.full((n, m), -1.0)
    options = [problem.eligible(s) for s in steps]
    for o, found in enumerate(options):
        for r, value in found:
            minutes[o, r] = value
    choice_from, choice = _ragged([[r for r, _ in found] for found in options])
    kinds: dict[Hashable, int] = {}
    for step in steps:
        for kind in step.needs:
            kinds.setdefault(kind, len(kinds))
    need_from, need = _ragged([[kinds[k] for k in dict.fromkeys(s.needs)] for s in steps])
    help_from, helping = _ragged([problem.helpers(str(kind)) for kind in kinds])
    number = _numbering()
    family = [number(s.family) for s in steps]
    lot_number = _numbering()
    kept = {(r.resource, r.job): problem.jobs[r.job].steps[r.index] for r in running}
    shared, busy = _side_by_side(problem, steps, options, set(helping.tolist()), kept, running)
    free = np.zeros(m)
    current = np.full(m, -1, np.int32)
    for run in running:
        if shared[run.resource] < 0:
            free[run.resource] = max(free[run.resource], run.end)
            current[run.resource] = number(problem.jobs[run.job].steps[run.index].family)
    _hold_helpers(problem, running, free, shared, busy)
    until, size = _rows(busy)
    always = ((-INFINITE, INFINITE),)
    window_from, window = _ragged(
        [list(always if r.open is None else r.open) for r in problem.resources], pairs=True
    )
    down_from, down = _ragged([list(r.down) for r in problem.resources], pairs=True)
    unit_number = _numbering()
    units = [
        unit_number(("job", j) if job.group is None else ("group", str(job.group)))
        for j, job in enumerate(problem.jobs)
    ]
    return Arrays(
        step_job=owner,
        step_prev=prev,
        step_next=after,
        step_size=np.array([s.size for s in steps], float),
        step_family=np.array(family, np.int32),
        step_lot=np.array([lot_number((s.kind, s.family)) for s in steps], np.int32),
        step_attended=np.array([s.attended for s in steps], np.uint8),
        step_class=_classes(options),
        step_left=left,
        hands=np.array([-1.0 if s.hands is None else s.hands for s in steps], float),
        need_from=need_from,
        need=need,
        help_from=help_from,
        help=helping,
        helped=len(need) > 0,
        minutes=minutes,
        choice_from=choice_from,
        choice=choice,
        batch=np.array([r.batch for r in problem.resources], np.uint8),
        capacity=np.array([r.capacity for r in problem.resources], float),
        shared=shared,
        setup=np.array([r.setup for r in problem.resources], float),
        plain=np.array(
            [
                r.open is None and not r.down and r.setup == 0 and shared[i] < 0
                for i, r in enumerate(problem.resources)
            ],
            np.uint8,
        ),
        free_from=free,
        last_family=current,
        busy_until=until,
        busy_size=size,
        window_from=window_from,
        window=window,
        down_from=down_from,
        down=down,
        step_ready=np.array(
            [
                max(s.not_before, 0.0 if before >= 0 else ready[j])
                for s, j, before in zip(steps, owner, prev, strict=True)
            ],
            float,
        ),
        job_last=last,
        job_end=end,
        job_due=np.array([INFINITE if j.due is None else j.due for j in problem.jobs], float),
        job_weight=np.array([j.weight for j in problem.jobs], float),
        job_release=np.array([j.release for j in problem.jobs], float),
        job_unit=np.array(units, np.int32),
        units=np.zeros(len(set(units))),
        shut=_shut(problem, {r for o in last if o >= 0 for r, _ in options[o]}),
    )


def _shut(problem: Problem, ending: set[int]) -> Array:
    """Return the gaps between the times at which any of these resources is open."""
    windows: list[tuple[float, float]] = []
    for r in ending:
        hours = problem.resources[r].open
        if hours is None:
            return np.zeros((0, 2))
        windows += hours
    gaps, until = [], np.inf
    for since, close in sorted(windows):
        if since > until:
            gaps.append((until, since))
        until = close if until == np.inf else max(until, close)
    return np.array(gaps, float).reshape(-1, 2)


def _side_by_side(
    problem: Problem,
    steps: list[Step],
    options: list[list[tuple[int, float]]],
    helpers: set[int],
    kept: dict[tuple[int, int], Step],
    running: list[Running],
) -> tuple[Array, list[Busy]]:
    """Find the resources that can run two steps at once, and what runs on them now."""
    sizes: list[list[float]] = [[] for _ in problem.resources]
    for step, found in zip(steps, options, strict=True):
        for r, _ in found:
            sizes[r].append(min(step.size, problem.resources[r].capacity))
    for (r, _), step in kept.items():
        sizes[r].append(min(step.size, problem.resources[r].capacity))
    for r in helpers:
        sizes[r] += [min(1.0, problem.resources[r].capacity)] * 2
    shared = np.full(len(problem.resources), -1, np.int32)
    rows = 0
    for r, resource in enumerate(problem.resources):
        two = sorted(sizes[r])[:2]
        alone = resource.batch or resource.setup > 0
        if not alone and len(two) == 2 and sum(two) <= resource.capacity + 1e-9:
            shared[r] = rows
            rows += 1
    busy: list[Busy] = [[] for _ in range(rows)]
    for run in running:
        if shared[run.resource] >= 0:
            size = min(kept[run.resource, run.job].size, problem.resources[run.resource].capacity)
            busy[shared[run.resource]].append((run.end, size))
    return shared, busy


def _hold_helpers(
    problem: Problem, running: list[Running], free: Array, shared: Array, busy: list[Busy]
) -> None:
    """Let the first free helpers of every run be busy until it lets them go."""
    batches: set[Hashable] = set()
    for run in running:
        step = problem.jobs[run.job].steps[run.index]
        if problem.resources[run.resource].batch:
            batch = (run.resource, run.start, step.kind, step.family)
            if batch in batches:
                continue
            batches.add(batch)
        held = step.hands if step.hands is not None else INFINITE if step.attended else 0.0
        stop = min(run.start + held, run.end)
        for kind in dict.fromkeys(step.needs) if stop > 0 else ():
            for h in problem.helpers(kind):
                row, room = shared[h], problem.resources[h].capacity
                share = min(1.0, room)
                if row < 0 and free[h] <= 0 and h != run.resource:
                    free[h] = stop
                    break
                if row >= 0 and sum(x for _, x in busy[row]) + share <= room + 1e-9:
                    busy[row].append((stop, share))
                    break


def _rows(busy: list[Busy]) -> tuple[Array, Array]:
    """Return ends and sizes of what runs side by side, by row."""
    width = max([len(b) for b in busy], default=0)
    until, taken = np.zeros((len(busy), width)), np.zeros((len(busy), width))
    for row, entries in enumerate(busy):
        for k, (stop, size) in enumerate(entries):
            until[row, k], taken[row, k] = stop, size
    return until, taken


def _classes(options: list[list[tuple[int, float]]]) -> Array:
    number = _numbering()
    return np.array([number(tuple(r for r, _ in found)) for found in options], np.int32)


def _numbering() -> Callable[[Hashable], int]:
    seen: dict[Hashable, int] = {}
    return lambda value: seen.setdefault(value, len(seen))


def _ragged(rows: list[Any], *, pairs: bool = False) -> tuple[Array, Array]:
    bounds = np.concatenate([[0], np.cumsum([len(r) for r in rows], dtype=np.int64)])
    flat = [value for row in rows for value in row]
    if pairs:
        clipped = [[max(a, -INFINITE), min(b, INFINITE)] for a, b in flat]
        return bounds.astype(np.int32), np.array(clipped, float).reshape(-1, 2)
    return bounds.astype(np.int32), np.array(flat, np.int32).reshape(-1)

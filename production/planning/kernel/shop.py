"""The array form of a problem, which the compiled kernel reads.

All steps of all jobs lie one after another: job ``j`` owns the steps
``job_first[j]`` to ``job_first[j + 1]``. A *pool* is a set of resources that some
steps may run on, in the order of the problem's list; a step waits in the queue of
its pool. A *lot* is what may share a batch: steps of one kind and one family.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from production.planning.entities import Job, Problem, Step

__all__ = ["DONE", "STARTED", "WAITING", "Shop", "make_shop"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WAITING, STARTED, DONE = 0, 1, 2
HARDLY_ANY = 1e-6  # of room
BITS = 62  # resources from here on share a bit that is always set


class Shop(NamedTuple):
    """A problem as arrays; times in minutes from now.

    ``J`` jobs, ``N`` steps, ``R`` resources, ``P`` pools, ``L`` lots.
    """

    job_first: Ints  # (J+1,)
    release: Floats  # (J,) at least 0
    due: Floats  # (J,) inf where nothing was promised
    promise: Floats  # (J,) earliest due of the job's group: what the dispatch rules look at
    weight: Floats  # (J,)
    group: Ints  # (J,) number of the group; a job without one is a group of its own
    step_job: Ints  # (N,)
    minutes: Floats  # (N,) median
    spread: Floats  # (N,)
    attended: Ints  # (N,)
    size: Floats  # (N,)
    family: Ints  # (N,)
    state: Ints  # (N,) WAITING, STARTED or DONE
    started: Floats  # (N,)
    ended: Floats  # (N,) end of a done step, nan where unknown
    placed: Ints  # (N,) resource of a started step, -1 otherwise
    failure: Floats  # (N,)
    rework: Ints  # (N,) step to go back to
    not_before: Floats  # (N,) at least 0
    first: Ints  # (N,) whether it goes before what is not first
    hands: Floats  # (N,) minutes that helpers are held, inf: the whole step
    need_first: Ints  # (N+1,) into need
    need: Ints  # numbers of helper lists
    need_set: Ints  # (N,) equal where all needs are equal
    alike: Ints  # (N,) equal where nothing but the minutes tells two steps apart
    help_first: Ints  # into help
    help: Ints  # resources, the least versatile first
    remaining: Floats  # (N,) median minutes of this and the job's later steps
    pool: Ints  # (N,)
    ratio_first: Ints  # (N,) into ratio, aligned with the pool's resources
    ratio: Floats  # minutes on that resource over ``minutes``
    lot: Ints  # (N,)
    lot_first: Ints  # (L+1,) into lot_step
    lot_step: Ints  # steps by lot
    lot_smallest: Floats  # (L,) smallest size of the lot's steps
    pool_first: Ints  # (P+1,) into pool_resource
    pool_resource: Ints
    pool_uniform: Ints  # (P,) whether all steps of the pool need the same helpers
    pool_bits: Ints  # (P,) its resources, a bit each; see BITS
    pool_asks: Ints  # (P,) helper lists that all of its steps need, a bit each
    help_bits: Ints  # (lists,) their resources, a bit each
    setup_bits: Ints  # (1,) resources with a setup
    queue_first: Ints  # (P+1,) room for the pool's queue
    resource_pool_first: Ints  # (R+1,) into resource_pool
    resource_pool: Ints  # pools that contain the resource
    capacity: Floats  # (R,)
    batch: Ints  # (R,)
    setup: Floats  # (R,)
    resource_failure: Floats  # (R,)
    repair: Floats  # (R,)
    windows: Floats  # (R, W, 2) open from, to; sorted, then inf
    downs: Floats  # (R, D, 2) out of use from, to; sorted, then inf
    wake: Floats  # sorted moments after now at which something opens
    clock: float  # minutes since midnight now


def make_shop(problem: Problem) -> Shop:
    """Return the problem as arrays.

    Steps that no resource can run get an empty pool: the kernel never starts them
    and their job's finish stays infinite.
    """
    steps = [step for job in problem.jobs for step in job.steps]
    job_first = _first([len(job.steps) for job in problem.jobs])
    step_job = np.repeat(np.arange(len(problem.jobs)), np.diff(job_first)).astype(np.int64)
    pool, pools, ratio_first, ratio = _pools(problem, steps)
    lot, smallest = _lots(steps)
    need_first, need, help_first, helpers = _needs(problem, steps)
    need_set = _numbered([s.needs for s in steps])
    containing: list[list[int]] = [[] for _ in problem.resources]
    for number, members in enumerate(pools):
        for resource in members:
            containing[resource].append(number)
    windows = [((-math.inf, math.inf),) if r.open is None else r.open for r in problem.resources]
    downs = [r.down for r in problem.resources]
    index = {str(r.id): i for i, r in enumerate(problem.resources)}
    due = [math.inf if job.due is None else job.due for job in problem.jobs]
    group = _groups(problem)
    promise = np.full(len(problem.jobs), math.inf)
    np.minimum.at(promise, group, due)
    return Shop(
        job_first=job_first,
        release=_floats([max(job.release, 0.0) for job in problem.jobs]),
        due=_floats(due),
        promise=promise[group],
        weight=_floats([job.weight for job in problem.jobs]),
        group=group,
        step_job=step_job,
        minutes=_floats([s.minutes for s in steps]),
        spread=_floats([s.spread for s in steps]),
        attended=_ints([int(s.attended) for s in steps]),
        size=_sizes(problem, steps),
        family=_numbered([s.family for s in steps]),
        state=_ints([_state(s) for s in steps]),
        started=_floats([0.0 if s.started is None else s.started for s in steps]),
        ended=_floats([end for job in problem.jobs for end in _ended(job)]),
        placed=_ints([index[str(s.resource)] if _state(s) == STARTED else -1 for s in steps]),
        failure=_floats([s.failure for s in steps]),
        rework=_ints(
            [
                first + (number if step.rework is None else step.rework)
                for first, job in zip(job_first, problem.jobs, strict=False)
                for number, step in enumerate(job.steps)
            ]
        ),
        not_before=_floats([max(s.not_before, 0.0) for s in steps]),
        first=_ints([int(s.first) for s in steps]),
        hands=_floats([_hands(s) for s in steps]),
        need_first=need_first,
        need=need,
        need_set=need_set,
        alike=_alike(problem, steps, pool, pools),
        help_first=help_first,
        help=helpers,
        remaining=_remaining(problem),
        pool=pool,
        ratio_first=ratio_first,
        ratio=ratio,
        lot=lot,
        lot_first=_first(np.bincount(lot, minlength=smallest.size).tolist()),
        lot_step=np.argsort(lot, kind="stable").astype(np.int64),
        lot_smallest=smallest,
        pool_first=_first([len(members) for members in pools]),
        pool_resource=_ints([r for members in pools for r in members]),
        pool_uniform=_uniform(pool, need_set, len(pools)),
        pool_bits=_ints([_bits(members) for members in pools]),
        pool_asks=_asks(pool, len(pools), need_first, need),
        help_bits=_ints([_bits(part.tolist()) for part in np.split(helpers, help_first[1:-1])]),
        setup_bits=_ints([_bits([i for i, r in enumerate(problem.resources) if r.setup > 0])]),
        queue_first=_first(np.bincount(pool, minlength=len(pools)).tolist()),
        resource_pool_first=_first([len(c) for c in containing]),
        resource_pool=_ints([p for c in containing for p in c]),
        capacity=_floats([r.capacity for r in problem.resources]),
        batch=_ints([int(r.batch) for r in problem.resources]),
        setup=_floats([r.setup for r in problem.resources]),
        resource_failure=_floats([r.failure for r in problem.resources]),
        repair=_floats([r.repair for r in problem.resources]),
        windows=_padded(windows),
        downs=_padded(downs),
        wake=_wakes(windows, downs),
        clock=problem.clock,
    )


def _floats(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _sizes(problem: Problem, steps: Sequence[Step]) -> Floats:
    """Return sizes; what takes no room takes some on a machine that runs one thing at a time."""
    alone = {r.kind for r in problem.resources if r.setup > 0 and not r.batch}
    alone |= {str(r.id) for r in problem.resources if r.setup > 0 and not r.batch}
    return _floats(
        [
            max(s.size, HARDLY_ANY)
            if s.kind in alone or any(str(name) in alone for name, _ in s.alternatives)
            else s.size
            for s in steps
        ]
    )


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int64)


def _first(counts: Sequence[int]) -> Ints:
    return np.concatenate([[0], np.cumsum(np.array(counts, dtype=np.int64))]).astype(np.int64)


def _padded(rows: Sequence[Sequence[tuple[float, float]]]) -> Floats:
    table = np.full((len(rows), 1 + max(map(len, rows), default=0), 2), math.inf)
    for number, pairs in enumerate(rows):
        table[number, : len(pairs)] = np.reshape(pairs, (-1, 2))
    return table


def _numbered(values: Sequence[object]) -> Ints:
    """Number values by first appearance."""
    seen: dict[object, int] = {}
    return _ints([seen.setdefault(v, len(seen)) for v in values])


def _state(step: Step) -> int:
    return DONE if step.done else STARTED if step.started is not None else WAITING


def _ended(job: Job) -> list[float]:
    """Return by step the last end known up to it; nan where none is."""
    known, found = math.nan, []
    for step in job.steps:
        known = known if step.ended is None else step.ended
        found.append(known)
    return found


def _hands(step: Step) -> float:
    if step.hands is not None:
        return step.hands
    return math.inf if step.attended else 0.0


def _groups(problem: Problem) -> Ints:
    return _numbered(
        [
            ("job", i) if job.group is None else ("group", str(job.group))
            for i, job in enumerate(problem.jobs)
        ]
    )


def _remaining(problem: Problem) -> Floats:
    values: list[float] = []
    for job in problem.jobs:
        tail = np.cumsum([s.minutes for s in reversed(job.steps)])[::-1]
        values.extend(tail.tolist())
    return _floats(values)


def _pools(
    problem: Problem, steps: Sequence[Step]
) -> tuple[Ints, list[tuple[int, ...]], Ints, Floats]:
    numbers: dict[tuple[int, ...], int] = {}
    known: dict[tuple[object, ...], tuple[int, list[float]]] = {}
    pool: list[int] = []
    first: list[int] = []
    ratio: list[float] = []
    for step in steps:
        like = (step.kind, step.minutes, step.size, step.resource, step.alternatives)
        if like not in known:
            found = problem.eligible(step)
            number = numbers.setdefault(tuple(i for i, _ in found), len(numbers))
            known[like] = number, [m / step.minutes if step.minutes > 0 else 1.0 for _, m in found]
        pool.append(known[like][0])
        first.append(len(ratio))
        ratio.extend(known[like][1])
    return _ints(pool), list(numbers), _ints(first), _floats(ratio)


def _bits(numbers: Sequence[int]) -> int:
    return sum(1 << n for n in {min(number, BITS) for number in numbers})


def _asks(pool: Ints, pools: int, need_first: Ints, need: Ints) -> Ints:
    asks = [(1 << BITS) - 1] * pools
    wanted, bounds = need.tolist(), need_first.tolist()
    for p, kinds in {
        (p, tuple(wanted[bounds[i] : bounds[i + 1]])) for i, p in enumerate(pool.tolist())
    }:
        asks[p] &= _bits(kinds)
    return _ints(asks)


def _alike(
    problem: Problem, steps: Sequence[Step], pool: Ints, pools: Sequence[tuple[int, ...]]
) -> Ints:
    """Number steps by all that decides whether they can start, minutes apart.

    Where a helper may be the machine as well, or machines differ in speed, each is its own.
    """
    helpers = {kind: set(problem.helpers(kind)) for s in steps for kind in s.needs}
    known: list[object] = []
    for i, (s, p) in enumerate(zip(steps, pool.tolist(), strict=True)):
        odd = bool(s.alternatives) or any(helpers[kind] & set(pools[p]) for kind in s.needs)
        what = (s.kind, s.family, s.size, s.attended, s.hands, s.needs, p)
        known.append(i if odd else what)
    return _numbered(known)


def _uniform(pool: Ints, need_set: Ints, pools: int) -> Ints:
    return _ints([int(np.unique(need_set[pool == p]).size <= 1) for p in range(pools)])


def _lots(steps: Sequence[Step]) -> tuple[Ints, Floats]:
    lot = _numbered([(s.kind, s.family) for s in steps])
    smallest = np.full(int(lot.max(initial=-1)) + 1, math.inf)
    np.minimum.at(smallest, lot, [s.size for s in steps])
    return lot, smallest


def _needs(problem: Problem, steps: Sequence[Step]) -> tuple[Ints, Ints, Ints, Ints]:
    kinds = list(dict.fromkeys(kind for s in steps for kind in s.needs))
    lists = [problem.helpers(kind) for kind in kinds]
    return (
        _first([len(s.needs) for s in steps]),
        _ints([kinds.index(kind) for s in steps for kind in s.needs]),
        _first([len(members) for members in lists]),
        _ints([r for members in lists for r in members]),
    )


def _wakes(
    windows: Sequence[Sequence[tuple[float, float]]], downs: Sequence[Sequence[tuple[float, float]]]
) -> Floats:
    moments = {w[0] for ws in windows for w in ws} | {d[1] for ds in downs for d in ds}
    return _floats(sorted(m for m in moments if 0 < m < math.inf))

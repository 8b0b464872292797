"""How the bench works: the one compiled simulation behind plan, quote and foresight.

Given a shop, a policy and the durations, ``simulate`` says when every step starts
and ends, and where. It is event driven; its cost grows with the number of runs.

Specification
-------------
Time moves from one *moment* to the next: the end of a run, a release, the end of a helper's
hands-on part, the opening of a window, the end of a downtime, repair or setup, the end of a wait
for a fuller batch. At a moment, first everything that ends or arrives at it is booked, then one
*dispatch pass* is made. A step of no duration ends at the same moment, after the pass; another
pass follows.

1. A step joins the queue of its pool when its job is released and the step before it has ended,
   not before 0 and not before ``hold``. A queue is ordered by (key of the rule, moment of joining,
   number of the job).
2. A pass looks at the first step not yet looked at of every queue, takes the best of these by the
   same order, and either starts it or passes it over, until none is left. Every step is looked at
   once at most, except that a whole queue is passed over when no resource of its pool is free, and
   what differs from a step that could not start in being longer alone is passed over with it (it
   could not either).
3. A step starts on the free resource with the smallest duration for it; equal ones in the order of
   the problem. Free: not out of use (repair), nothing running and the setup after the last run of
   another family over where there is a setup, and room: nothing running on a batch resource,
   ``capacity`` less the sizes running on another (a step larger than the capacity takes it alone).
   The run must *fit*: attended, it lies inside one open window; unattended, it starts inside one,
   before its close; and it overlaps no downtime.
4. It also takes, in the order of its ``needs`` (the rarest first), the first free helper (fewest
   skills first, then the order of the problem) inside whose open window the held part lies. A
   helper held for no time only has to be free and open at the start.
5. On a batch resource the step is the head. Waiting steps of its lot (kind and family) with the
   same needs join in queue order, the head's own queue first, then the resource's other queues in
   order, each if the sizes stay within ``capacity`` and the run, as long as its longest member and
   attended if any is, still fits resource and helpers. The batch waits, and all of its lot are
   passed over, if no member was turned away for size, the room left holds the smallest step of the
   lot, the deadline is ahead, and another step of the lot may join by then. The deadline is the
   earliest of the members' joining plus ``wait``, and of the last moment at which the run can
   start inside the present window (one minute before its close when unattended). A step that has
   not joined may do so at the earliest after the median minutes of the steps of its job that come
   before it, counted from now, from the release that its job waits for, or from the expected
   (median) end of what its job runs, and not before its ``hold``.
6. At the end of a run on a resource with ``failure`` the whole run fails if the head's
   ``run_luck`` is below it (the resource is then out of use for ``repair``); else a member fails
   if its ``luck`` is below the step's ``failure``. A failed member goes on with its ``rework``
   step, and all steps from there up to it move on to their next row of draws if there is one; in
   the last row nothing fails.
7. Started steps run at the beginning, until started + duration or now, whichever is later; those
   of one batch resource, start and lot are one run. Each holds the first free helpers, whatever
   their windows, and goes on without those there are not.
8. A duration is the draw times the resource's ratio times the factor of the day on which the run
   starts (days begin at midnight by ``clock``; the last factor stands for all later days).

Nothing loops for ever: runs are at most steps times rows, and moments at which
something opens are finite. A step that cannot start has infinite times.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from production.planning.kernel.batches import PENDING, QUEUED, RUNNING, fill_batch, may_come
from production.planning.kernel.beginning import ARRIVE, END_HANDS, END_RUN, begin
from production.planning.kernel.borrow import borrowed
from production.planning.kernel.drawing import draw_again
from production.planning.kernel.future import Times, Work
from production.planning.kernel.openings import (
    CLOSED,
    FITS,
    TINY,
    choose_helpers,
    choose_resource,
    count_free,
    day_factor,
    last_start,
    pass_alike,
    pass_over,
)
from production.planning.kernel.queues import (
    FIXED,
    before,
    join_queue,
    leave_queue,
    pop,
    push,
    reorder,
)
from production.planning.kernel.shop import BITS


@njit(cache=True, nogil=True)
def simulate(shop, policy, draw):
    """Run the bench once.

    Parameters
    ----------
    shop : Shop
    policy : Policy
    draw : Draw

    Returns
    -------
    Times
    """
    steps = shop.step_job.size
    jobs = shop.release.size
    resources = shop.capacity.size
    pools = shop.pool_first.size - 1
    lots = shop.lot_smallest.size
    needs = 0
    for i in range(steps):
        needs = max(needs, shop.need_first[i + 1] - shop.need_first[i])
    times = Times(
        np.full(steps, np.inf),
        np.full(steps, np.inf),
        np.full(steps, np.inf),
        np.full(steps, -1),
        np.full(steps, -1),
        np.full(jobs, np.inf),
    )
    work = Work(
        policy.key.copy(),
        np.zeros(steps, np.int64),
        np.full(steps, -1),
        np.full((steps, needs), -1),
        np.full(needs, -1),
        np.zeros(steps, np.int64),
        np.zeros(pools, np.int64),
        np.zeros(pools, np.int64),
        np.zeros(resources),
        np.full(resources, -np.inf),
        np.full(resources, -np.inf),
        np.full(resources, -1),
        np.zeros(resources, np.int64),
        np.full(jobs, steps),
        np.zeros(jobs, np.int64),
        np.zeros(jobs),
        np.zeros(lots, np.int64),
        np.zeros(steps, np.int64),
        np.empty(steps),
        np.empty(2 * steps + jobs + 1),
        np.empty(2 * steps + jobs + 1, np.int64),
    )
    events, runs = begin(shop, policy, draw, times, work)
    run_bench(shop, policy, draw, times, work, events, runs)
    return times


@njit(cache=True, nogil=True)
def run_bench(shop, policy, draw, times, work, events, runs):
    """Fill ``times``; ``work`` must be fresh. Everything is borrowed from the caller."""
    job_first = borrowed(shop.job_first)  # type: ignore[call-arg, var-annotated]
    release = borrowed(shop.release)
    promise = borrowed(shop.promise)
    step_job = borrowed(shop.step_job)
    attended = borrowed(shop.attended)
    size = borrowed(shop.size)
    family = borrowed(shop.family)
    failure = borrowed(shop.failure)
    rework = borrowed(shop.rework)
    hands = borrowed(shop.hands)
    need_first = borrowed(shop.need_first)
    need = borrowed(shop.need)
    need_set = borrowed(shop.need_set)
    help_first = borrowed(shop.help_first)
    help_resource = borrowed(shop.help)
    remaining = borrowed(shop.remaining)
    pool = borrowed(shop.pool)
    ratio_first = borrowed(shop.ratio_first)
    ratios = borrowed(shop.ratio)
    lot = borrowed(shop.lot)
    lot_smallest = borrowed(shop.lot_smallest)
    lot_first = borrowed(shop.lot_first)
    lot_step = borrowed(shop.lot_step)
    nominal = borrowed(shop.minutes)
    pool_first = borrowed(shop.pool_first)
    pool_resource = borrowed(shop.pool_resource)
    pool_bits = borrowed(shop.pool_bits)
    pool_asks = borrowed(shop.pool_asks)
    help_bits = borrowed(shop.help_bits)
    pool_uniform = borrowed(shop.pool_uniform)
    queue_first = borrowed(shop.queue_first)
    resource_pool_first = borrowed(shop.resource_pool_first)
    resource_pool = borrowed(shop.resource_pool)
    capacity = borrowed(shop.capacity)
    batch = borrowed(shop.batch)
    setup = borrowed(shop.setup)
    resource_failure = borrowed(shop.resource_failure)
    repair = borrowed(shop.repair)
    windows = borrowed(shop.windows)
    downs = borrowed(shop.downs)
    wake_moments = borrowed(shop.wake)
    moving = policy.moving
    look_ahead = policy.look_ahead
    fixed = borrowed(policy.key)
    wait = borrowed(policy.wait)
    hold = borrowed(policy.hold)
    drawn_minutes = borrowed(draw.minutes)
    luck = borrowed(draw.luck)
    run_luck = borrowed(draw.run_luck)
    factors = borrowed(draw.factor)
    start = borrowed(times.start)
    end = borrowed(times.end)
    ready = borrowed(times.ready)
    place = borrowed(times.resource)
    run = borrowed(times.run)
    finish = borrowed(times.finish)
    key = borrowed(work.key)
    row = borrowed(work.row)
    follower = borrowed(work.follower)
    helper = borrowed(work.helper)
    taken = borrowed(work.taken)
    queue = borrowed(work.queue)
    length = borrowed(work.length)
    cursor = borrowed(work.cursor)
    used = borrowed(work.used)
    available = borrowed(work.available)
    last_end = borrowed(work.last_end)
    last_family = borrowed(work.last_family)
    window = borrowed(work.window)
    at = borrowed(work.at)
    stage = borrowed(work.stage)
    since = borrowed(work.since)
    waits = borrowed(work.waits)
    refusals = (borrowed(shop.alike), borrowed(work.refused), borrowed(work.too_long))
    heap_time = borrowed(work.heap_time)
    heap_event = borrowed(work.heap_event)
    steps = step_job.size
    resources = capacity.size
    pools = length.size
    rows = drawn_minutes.shape[0]
    needs = taken.size
    routes = (pool, pool_first, pool_resource, ratio_first, ratios)
    machines = (capacity, batch, setup, used, available, last_end, last_family)
    queues = (queue_first, queue, length, resource_pool_first, resource_pool)
    queued = 0
    passes = 0

    t = 0.0
    next_close = -np.inf
    idle = 0
    helpful = 0
    for q in range(resources):
        idle, helpful = count_free(capacity, batch, used, q, idle, helpful)
    closer = shop.setup_bits[0] | (1 << BITS)
    opening = 0
    while True:
        # Book everything that ends or arrives at this moment.
        while events > 0 and heap_time[0] <= t:
            kind = heap_event[0] // steps
            i = heap_event[0] % steps
            events = pop(heap_time, heap_event, events)
            if kind == ARRIVE:
                stage[step_job[i]] = QUEUED
                join_queue(pool, queue_first, queue, length, step_job, key, ready, i, t)
                queued += 1
                continue
            for n in range(need_first[i + 1] - need_first[i]):
                q = helper[i, n]
                if q >= 0:
                    used[q] -= min(1.0, capacity[q])
                    if used[q] < TINY:
                        used[q] = 0.0
                    helper[i, n] = -1
                    idle, helpful = count_free(capacity, batch, used, q, idle, helpful)
            if kind == END_HANDS:
                continue
            r = place[i]
            taking = capacity[r] if batch[r] else min(size[i], capacity[r])
            used[r] -= taking
            if used[r] < TINY:
                used[r] = 0.0
            idle, helpful = count_free(capacity, batch, used, r, idle, helpful)
            last_end[r] = t
            run_failed = run_luck[row[i], i] < resource_failure[r]
            if run_failed and row[i] + 1 < rows:
                available[r] = t + repair[r]
                closer |= 1 << min(r, BITS)
            m = i
            while m >= 0:
                following = follower[m]
                follower[m] = -1
                failed = run_failed or luck[row[m], m] < failure[m]
                if failed and row[m] + 1 < rows:
                    coming = rework[m]
                    for s in range(coming, m + 1):
                        row[s] = min(row[s] + 1, rows - 1)
                        draw_again(shop, draw, s, row[s])
                elif m + 1 < job_first[step_job[m] + 1]:
                    coming = m + 1
                else:
                    coming = -1
                    finish[step_job[m]] = t
                    at[step_job[m]] = steps
                if coming >= 0:
                    at[step_job[m]] = coming
                    moment = max(hold[coming], release[step_job[m]])
                    if moment > t:
                        stage[step_job[m]] = PENDING
                        since[step_job[m]] = moment
                        events = push(
                            heap_time, heap_event, events, moment, ARRIVE * steps + coming
                        )
                    else:
                        stage[step_job[m]] = QUEUED
                        join_queue(
                            pool, queue_first, queue, length, step_job, key, ready, coming, t
                        )
                        queued += 1
                m = following

        # One dispatch pass.
        wake = np.inf
        if queued > 0:
            passes += 1
            factor = day_factor(factors, shop.clock, t)
            if t > next_close:
                next_close = np.inf
                for r in range(resources):
                    while windows[r, window[r], 1] < t:
                        window[r] += 1
                    next_close = min(next_close, windows[r, window[r], 1])
            if moving != FIXED:
                reorder(
                    queue_first,
                    queue,
                    length,
                    step_job,
                    key,
                    ready,
                    fixed,
                    promise,
                    remaining,
                    moving,
                    look_ahead,
                    t,
                )
            cursor[:] = 0
            changed = True
            while True:
                i = -1
                if changed:
                    pass_over(
                        pool_bits, pool_asks, help_bits, length, cursor, idle, helpful, closer
                    )
                    changed = False
                for p in range(pools):
                    if cursor[p] < length[p]:
                        m = queue[queue_first[p] + cursor[p]]
                        if i < 0 or before(step_job, key, ready, m, i):
                            i = m
                if i < 0:
                    break
                p = pool[i]
                if waits[lot[i]] == passes:
                    cursor[p] += 1
                    continue
                r, minutes, any_open, wake = choose_resource(
                    routes,
                    machines,
                    (windows, downs, window),
                    size,
                    family,
                    attended,
                    i,
                    t,
                    drawn_minutes[row[i], i],
                    factor,
                    wake,
                )
                if not any_open:
                    cursor[p] = length[p]
                    continue
                if r < 0:
                    pass_alike(queues, cursor, refusals, drawn_minutes, row, i, p, passes)
                    continue
                held_for = hands[i]
                taking = capacity[r] if batch[r] else min(size[i], capacity[r])
                if need_first[i + 1] > need_first[i]:
                    outcome = choose_helpers(
                        windows,
                        downs,
                        need_first,
                        need,
                        help_first,
                        help_resource,
                        window,
                        used,
                        capacity,
                        i,
                        r,
                        taking,
                        t,
                        min(held_for, minutes),
                        taken,
                    )
                    if outcome == CLOSED and pool_uniform[p] == 1:
                        cursor[p] = length[p]
                        continue
                    if outcome != FITS:
                        pass_alike(queues, cursor, refusals, drawn_minutes, row, i, p, passes)
                        continue
                if batch[r]:
                    minutes, held_for, watched, total, full, deadline = fill_batch(
                        attended,
                        size,
                        hands,
                        need_first,
                        need_set,
                        lot,
                        lot_smallest,
                        capacity,
                        routes,
                        queues,
                        windows,
                        downs,
                        window,
                        wait,
                        drawn_minutes,
                        row,
                        ready,
                        taken,
                        follower,
                        factor,
                        i,
                        r,
                        t,
                        minutes,
                        held_for,
                    )
                    mine = lot[i]
                    deadline = min(deadline, last_start(windows, window, r, t, minutes, watched))
                    if (
                        not full
                        and capacity[r] - total >= lot_smallest[mine] - TINY
                        and deadline > t
                        and may_come(
                            lot_first,
                            lot_step,
                            step_job,
                            at,
                            stage,
                            since,
                            nominal,
                            remaining,
                            hold,
                            mine,
                            t,
                            deadline,
                        )
                    ):
                        wake = min(wake, deadline)
                        waits[mine] = passes
                        cursor[p] += 1
                        m = i
                        while m >= 0:
                            following = follower[m]
                            follower[m] = -1
                            m = following
                        continue
                m = i
                while m >= 0:
                    leave_queue(pool, queue_first, queue, length, cursor, m)
                    queued -= 1
                    start[m] = t
                    end[m] = t + minutes
                    place[m] = r
                    run[m] = runs
                    stage[step_job[m]] = RUNNING
                    since[step_job[m]] = t
                    m = follower[m]
                runs += 1
                changed = True
                used[r] += taking
                idle, helpful = count_free(capacity, batch, used, r, idle, helpful)
                last_family[r] = family[i]
                events = push(heap_time, heap_event, events, t + minutes, END_RUN * steps + i)
                held = min(held_for, minutes)
                if held > 0 and needs > 0:
                    for n in range(need_first[i + 1] - need_first[i]):
                        q = taken[n]
                        helper[i, n] = q
                        used[q] += min(1.0, capacity[q])
                        idle, helpful = count_free(capacity, batch, used, q, idle, helpful)
                    if held < minutes and need_first[i + 1] > need_first[i]:
                        events = push(
                            heap_time, heap_event, events, t + held, END_HANDS * steps + i
                        )

        upcoming = heap_time[0] if events > 0 else np.inf
        if queued > 0:
            while opening < wake_moments.size and wake_moments[opening] <= t:
                opening += 1
            if opening < wake_moments.size:
                upcoming = min(upcoming, wake_moments[opening])
            upcoming = min(upcoming, wake)
        if upcoming == np.inf:
            break
        t = upcoming

"""The state of the bench now, as the kernel's first events (compiled)."""

import numpy as np
from numba import njit

from production.planning.kernel.batches import PENDING, RUNNING
from production.planning.kernel.borrow import borrowed
from production.planning.kernel.openings import choose_helpers, ratio_on
from production.planning.kernel.queues import push
from production.planning.kernel.shop import DONE, STARTED

__all__ = ["ARRIVE", "END_HANDS", "END_RUN", "begin"]

END_RUN, END_HANDS, ARRIVE = range(3)


@njit(cache=True, nogil=True)
def begin(shop, policy, draw, times, work):
    """Set up what is done, what runs and what arrives; return (events, runs) so far.

    Everything is borrowed from the caller.
    """
    job_first = borrowed(shop.job_first)  # type: ignore[call-arg, var-annotated]
    release = borrowed(shop.release)
    size = borrowed(shop.size)
    family = borrowed(shop.family)
    state = borrowed(shop.state)
    started = borrowed(shop.started)
    ended = borrowed(shop.ended)
    placed = borrowed(shop.placed)
    hands = borrowed(shop.hands)
    need_first = borrowed(shop.need_first)
    need = borrowed(shop.need)
    help_first = borrowed(shop.help_first)
    help_resource = borrowed(shop.help)
    pool = borrowed(shop.pool)
    ratio_first = borrowed(shop.ratio_first)
    ratios = borrowed(shop.ratio)
    lot = borrowed(shop.lot)
    pool_first = borrowed(shop.pool_first)
    pool_resource = borrowed(shop.pool_resource)
    capacity = borrowed(shop.capacity)
    batch = borrowed(shop.batch)
    windows = borrowed(shop.windows)
    downs = borrowed(shop.downs)
    hold = borrowed(policy.hold)
    drawn_minutes = borrowed(draw.minutes)
    factors = borrowed(draw.factor)
    start = borrowed(times.start)
    end = borrowed(times.end)
    place = borrowed(times.resource)
    run = borrowed(times.run)
    finish = borrowed(times.finish)
    follower = borrowed(work.follower)
    helper = borrowed(work.helper)
    taken = borrowed(work.taken)
    used = borrowed(work.used)
    window = borrowed(work.window)
    last_family = borrowed(work.last_family)
    at = borrowed(work.at)
    stage = borrowed(work.stage)
    since = borrowed(work.since)
    heap_time = borrowed(work.heap_time)
    heap_event = borrowed(work.heap_event)
    steps = state.size
    jobs = release.size
    events = 0
    runs = 0
    for j in range(jobs):
        current = -1
        for i in range(job_first[j], job_first[j + 1]):
            if state[i] != DONE:
                current = i
                break
        if current < 0:
            last = ended[job_first[j + 1] - 1]
            finish[j] = 0.0 if np.isnan(last) else last
            continue
        at[j] = current
        if state[current] == STARTED:
            stage[j] = RUNNING
            since[j] = started[current]
        else:
            stage[j] = PENDING
            since[j] = max(release[j], hold[current])
            events = push(heap_time, heap_event, events, since[j], ARRIVE * steps + current)
    for i in range(steps):
        if state[i] != STARTED:
            continue
        r = placed[i]
        begun = started[i]
        minutes = (
            drawn_minutes[0, i]
            * ratio_on(pool, pool_first, pool_resource, ratio_first, ratios, i, r)
            * factors[0]
        )
        start[i] = begun
        place[i] = r
        end[i] = max(begun + minutes, 0.0)
        head = i
        if batch[r]:
            for m in range(i):
                if place[m] == r and start[m] == begun and lot[m] == lot[i] and state[m] == STARTED:
                    head = m
                    break
        if head != i:
            run[i] = run[head]
            follower[i] = follower[head]
            follower[head] = i
            end[head] = max(end[head], end[i])
            continue
        run[i] = runs
        runs += 1
        last_family[r] = family[i]
        used[r] += capacity[r] if batch[r] else min(size[i], capacity[r])
    for i in range(steps):
        if state[i] != STARTED:
            continue
        head = i
        for m in range(i):
            if run[m] == run[i]:
                head = m
                break
        if head != i:
            end[i] = end[head]
            continue
        r = placed[i]
        events = push(heap_time, heap_event, events, end[i], END_RUN * steps + i)
        held_until = min(start[i] + hands[i], end[i])
        if held_until <= 0:
            continue
        choose_helpers(
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
            0.0,
            0.0,
            -1.0,
            taken,
        )
        for n in range(need_first[i + 1] - need_first[i]):
            helper[i, n] = taken[n]
            if taken[n] >= 0:
                used[taken[n]] += min(1.0, capacity[taken[n]])
        if held_until < end[i]:
            events = push(heap_time, heap_event, events, held_until, END_HANDS * steps + i)
    return events, runs

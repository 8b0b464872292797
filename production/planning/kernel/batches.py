"""Who joins a batch (compiled, inlined into the kernel)."""

from numba import njit

from production.planning.kernel.openings import FITS, TINY, ratio_on, room

__all__ = ["PENDING", "QUEUED", "RUNNING", "fill_batch", "may_come"]

PENDING, QUEUED, RUNNING = range(3)
CLOSE = 1e-6


@njit(cache=True, nogil=True, inline="always")
def fill_batch(
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
):
    """Chain what joins step i, the head, in a batch on resource r at moment t.

    ``minutes`` and ``held_for`` are the head's own. Returns those of the whole batch,
    whether it is attended, the sum of the sizes, whether a step was turned away for
    size, and the moment until which the batch may wait for more. Once there is no room for
    the smallest of the lot, nobody else is looked at. ``routes`` is (pool,
    pool_first, pool_resource, ratio_first, ratio), ``queues`` (queue_first, queue,
    length, resource_pool_first, resource_pool).
    """
    pool, pool_first, pool_resource, ratio_first, ratios = routes
    queue_first, queue, length, resource_pool_first, resource_pool = queues
    total = size[i]
    smallest = lot_smallest[lot[i]]
    watched = attended[i] == 1
    full = False
    deadline = ready[i] + wait[i]
    tail = i
    own = True
    turn = resource_pool_first[r] - 1
    while turn < resource_pool_first[r + 1]:
        q = pool[i] if own else resource_pool[turn]
        if own or q != pool[i]:
            for k in range(length[q]):
                if total + smallest > capacity[r] + TINY:
                    break
                m = queue[queue_first[q] + k]
                if m == i or lot[m] != lot[i] or need_set[m] != need_set[i]:
                    continue
                if total + size[m] > capacity[r] + TINY:
                    full = True
                    continue
                longer = max(
                    minutes,
                    drawn_minutes[row[m], m]
                    * ratio_on(pool, pool_first, pool_resource, ratio_first, ratios, m, r)
                    * factor,
                )
                guarded = watched or attended[m] == 1
                longer_hands = max(held_for, hands[m])
                ok = (
                    room(
                        windows,
                        downs,
                        window,
                        r,
                        t,
                        longer,
                        guarded,
                    )
                    == FITS
                )
                for n in range(need_first[i + 1] - need_first[i]):
                    held = min(longer_hands, longer)
                    ok = ok and (
                        room(
                            windows,
                            downs,
                            window,
                            taken[n],
                            t,
                            held,
                            True,
                        )
                        == FITS
                    )
                if not ok:
                    continue
                minutes = longer
                watched = guarded
                held_for = longer_hands
                total += size[m]
                deadline = min(deadline, ready[m] + wait[m])
                follower[tail] = m
                tail = m
        own = False
        turn += 1
    follower[tail] = -1
    return minutes, held_for, watched, total, full, deadline


@njit(cache=True, nogil=True, inline="always")
def may_come(
    lot_first, lot_step, step_job, at, stage, since, nominal, remaining, hold, lot, t, deadline
):
    """Whether a step of the lot that has not joined a queue may do so by the deadline.

    ``at`` is each job's present step, ``stage`` what it does (PENDING until ``since``,
    QUEUED, or RUNNING from ``since`` on).
    """
    found = False
    for k in range(lot_first[lot], lot_first[lot + 1]):
        m = lot_step[k]
        j = step_job[m]
        c = at[j]
        if m < c or (m == c and stage[j] != PENDING):
            continue
        if stage[j] == PENDING:
            arrival = since[j] + remaining[c] - remaining[m]
        elif stage[j] == QUEUED:
            arrival = t + remaining[c] - remaining[m]
        else:
            arrival = max(t, since[j] + nominal[c]) + remaining[c + 1] - remaining[m]
        if max(arrival, hold[m]) <= deadline + CLOSE:
            found = True
            break
    return found

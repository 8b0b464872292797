"""The kernel's queues and its heap of events (compiled, inlined into the kernel).

A queue is a piece of one array, sorted by (key, moment of joining, number of the job).
"""

import numpy as np
from numba import njit

__all__ = ["AHEAD", "before", "insert", "join_queue", "leave_queue", "pop", "push", "reorder"]

FIXED, APPARENT_COST, CRITICAL_RATIO = range(3)
AHEAD = 1e9
"""Taken off the keys of what goes before all others: beyond every key, and small enough that keys
under it stay apart. Half of it stands for no promise among them."""


@njit(cache=True, nogil=True, inline="always")
def before(step_job, key, ready, a, b):
    """Whether step a stands before step b in a queue."""
    return key[a] < key[b] or (
        key[a] == key[b]
        and (ready[a] < ready[b] or (ready[a] == ready[b] and step_job[a] < step_job[b]))
    )


@njit(cache=True, nogil=True, inline="always")
def insert(queue, first, count, step_job, key, ready, i):
    """Put step i into the sorted queue of ``count`` steps that begins at ``first``.

    Most go to the end; else the place is found by halving, for queues can be long.
    """
    end = first + count
    low = end
    if count > 0 and before(step_job, key, ready, i, queue[end - 1]):
        low = first
        high = end - 1
        while low < high:
            middle = (low + high) >> 1
            if before(step_job, key, ready, i, queue[middle]):
                high = middle
            else:
                low = middle + 1
    for k in range(end, low, -1):
        queue[k] = queue[k - 1]
    queue[low] = i


@njit(cache=True, nogil=True, inline="always")
def join_queue(pool, queue_first, queue, length, step_job, key, ready, i, t):
    """Let step i join the queue of its pool at moment t."""
    ready[i] = t
    p = pool[i]
    insert(queue, queue_first[p], length[p], step_job, key, ready, i)
    length[p] += 1


@njit(cache=True, nogil=True, inline="always")
def leave_queue(pool, queue_first, queue, length, cursor, i):
    """Take step i out of the queue of its pool; it mostly stands near the cursor."""
    p = pool[i]
    first = queue_first[p]
    k = first + min(cursor[p], length[p] - 1)
    while queue[k] != i:
        k += 1
        if k == first + length[p]:
            k = first
    if k - first < cursor[p]:
        cursor[p] -= 1
    for m in range(k, first + length[p] - 1):
        queue[m] = queue[m + 1]
    length[p] -= 1


@njit(cache=True, nogil=True, inline="always")
def reorder(
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
):
    """Sort all queues anew at moment t by a rule that changes with time.

    Apparent tardiness cost (Vepsalainen and Morton 1987), as its logarithm: ``fixed``
    is the part without time, ``look_ahead`` is in minutes. Critical ratio: time left
    over work left, plus ``fixed``.
    """
    for p in range(length.size):
        first = queue_first[p]
        for count in range(length[p]):
            i = queue[first + count]
            left = promise[step_job[i]] - t
            if fixed[i] == -np.inf:  # goes first, though nothing may be promised
                key[i] = fixed[i]
            else:
                if moving == APPARENT_COST:
                    key[i] = max(left - remaining[i], 0.0) / look_ahead
                else:
                    key[i] = left / max(remaining[i], 1e-6)
                if fixed[i] < -0.5 * AHEAD and key[i] >= 0.5 * AHEAD:
                    key[i] = -0.5 * AHEAD  # nothing promised: all alike, as behind them
                else:
                    key[i] += fixed[i]
            insert(queue, first, count, step_job, key, ready, i)


@njit(cache=True, nogil=True, inline="always")
def push(heap_time, heap_event, count, time, event):
    """Put an event on the heap; return the new count."""
    k = count
    while k > 0:
        up = (k - 1) >> 1
        if heap_time[up] <= time:
            break
        heap_time[k] = heap_time[up]
        heap_event[k] = heap_event[up]
        k = up
    heap_time[k] = time
    heap_event[k] = event
    return count + 1


@njit(cache=True, nogil=True, inline="always")
def pop(heap_time, heap_event, count):
    """Take the first event off the heap; return the new count."""
    last = count - 1
    time = heap_time[last]
    event = heap_event[last]
    k = 0
    while True:
        child = 2 * k + 1
        if child >= last:
            break
        if child + 1 < last and heap_time[child + 1] < heap_time[child]:
            child += 1
        if heap_time[child] >= time:
            break
        heap_time[k] = heap_time[child]
        heap_event[k] = heap_event[child]
        k = child
    heap_time[k] = time
    heap_event[k] = event
    return last

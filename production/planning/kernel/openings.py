"""What a resource or a helper has room for (compiled, inlined into the kernel).

``windows`` (R, W, 2) and ``downs`` (R, D, 2) are the shop's; ``window`` (R,) is the
number of each resource's first window that is not over.
"""

import numpy as np
from numba import njit

from production.planning.kernel.shop import BITS

__all__ = [
    "CLOSED",
    "FITS",
    "TINY",
    "choose_helpers",
    "choose_resource",
    "count_free",
    "day_factor",
    "last_start",
    "pass_alike",
    "ratio_on",
    "room",
]

DAY = 1440.0
TINY = 1e-9
FITS, CLOSED, TOO_LONG = range(3)


@njit(cache=True, nogil=True, inline="always")
def room(windows, downs, window, r, t, minutes, attended):
    """Return FITS if resource r can be held from t on for so many minutes, else why not.

    CLOSED: nothing at all can start on it at t. TOO_LONG: something shorter might.
    """
    found = CLOSED
    w = window[r]
    while windows[r, w, 0] <= t:
        close = windows[r, w, 1]
        if (attended and t + minutes <= close + TINY) or (not attended and t < close):
            found = FITS
            break
        if t <= close + TINY:
            found = TOO_LONG
        w += 1
    d = 0
    while downs[r, d, 0] <= t + minutes:
        if downs[r, d, 0] <= t and t < downs[r, d, 1]:
            found = CLOSED
        elif downs[r, d, 0] > t and downs[r, d, 0] < t + minutes - TINY and found == FITS:
            found = TOO_LONG
        d += 1
    return found


@njit(cache=True, nogil=True, inline="always")
def last_start(windows, window, r, t, minutes, attended):
    """Last moment at which a run that fits at t still fits the present window."""
    latest = t
    w = window[r]
    while windows[r, w, 0] <= t:
        latest = max(latest, windows[r, w, 1] - (minutes if attended else 1.0))
        w += 1
    return latest


@njit(cache=True, nogil=True, inline="always")
def ratio_on(pool, pool_first, pool_resource, ratio_first, ratios, i, r):
    """Duration of step i on resource r over its nominal one."""
    found = 1.0
    first = pool_first[pool[i]]
    for k in range(first, pool_first[pool[i] + 1]):
        if pool_resource[k] == r:
            found = ratios[ratio_first[i] + k - first]
    return found


@njit(cache=True, nogil=True, inline="always")
def day_factor(factors, clock, t):
    """Factor of the day on which moment t lies."""
    day = 0
    if factors.size > 1:
        day = int(np.floor((t + clock) / DAY) - np.floor(clock / DAY))
    return factors[min(max(day, 0), factors.size - 1)]


@njit(cache=True, nogil=True, inline="always")
def choose_resource(routes, machines, calendar, size, family, attended, i, t, drawn, factor, wake):
    """Find the free resource on which step i, begun at t, takes least time.

    ``drawn``: its minutes before ratio and ``factor`` of the day. Returns the
    resource (-1: none), the
    minutes on it, whether a shorter or smaller step of the pool might start, and
    ``wake``, moved forward to the end of a repair or setup that keeps one from use.
    """
    pool, pool_first, pool_resource, ratio_first, ratios = routes
    capacity, batch, setup, used, available, last_end, last_family = machines
    windows, downs, window = calendar
    first = pool_first[pool[i]]
    r = -1
    minutes = np.inf
    any_open = False
    for k in range(first, pool_first[pool[i] + 1]):
        q = pool_resource[k]
        if used[q] > (0.0 if batch[q] else capacity[q] - TINY):
            continue
        if available[q] > t:
            wake = min(wake, available[q])
            continue
        if not batch[q] and used[q] + min(size[i], capacity[q]) > capacity[q] + TINY:
            any_open = True
            continue
        if setup[q] > 0:
            if used[q] > 0:
                continue
            over = last_end[q] + setup[q]
            if last_family[q] not in (-1, family[i]) and over > t:
                wake = min(wake, over)
                any_open = True
                continue
        needed = drawn * ratios[ratio_first[i] + k - first] * factor
        if needed < minutes:
            verdict = room(windows, downs, window, q, t, needed, attended[i] == 1)
            if verdict == FITS:
                r = q
                minutes = needed
            any_open = any_open or verdict != CLOSED
    return r, minutes, any_open, wake


@njit(cache=True, nogil=True, inline="always")
def choose_helpers(
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
    hold,
    taken,
):
    """Fill ``taken`` with a free helper for each need of step i; return what came of it.

    FITS: complete. CLOSED: nobody is there who could help with anything now. TOO_LONG:
    not with this. The step itself takes ``taking`` of resource r. A negative hold asks
    for no open window.
    """
    outcome = FITS
    first = need_first[i]
    for n in range(first, need_first[i + 1]):
        found = -1
        anybody = CLOSED
        for k in range(help_first[need[n]], help_first[need[n] + 1]):
            q = help_resource[k]
            left = capacity[q] - used[q] - min(1.0, capacity[q])
            if left <= -TINY:
                continue
            verdict = FITS if hold < 0 else room(windows, downs, window, q, t, hold, True)
            if verdict != CLOSED:
                anybody = TOO_LONG
            if q == r:
                left -= taking
            for other in range(n - first):
                if taken[other] == q:
                    left -= min(1.0, capacity[q])
            if left > -TINY and verdict == FITS:
                found = q
                break
        taken[n - first] = found
        if found < 0 and outcome != CLOSED:
            outcome = anybody
    return outcome


@njit(cache=True, nogil=True, inline="always")
def count_free(capacity, batch, used, q, idle, helpful):
    """Return the bits of what has room, renewed for resource q.

    ``idle``: room for a run; ``helpful``: room for a helper's share.
    """
    bit = 1 << min(q, BITS)
    idle |= bit
    helpful |= bit
    if q < BITS:
        if used[q] > (0.0 if batch[q] else capacity[q] - TINY):
            idle ^= bit
        if capacity[q] - used[q] - min(1.0, capacity[q]) <= -TINY:
            helpful ^= bit
    return idle, helpful


@njit(cache=True, nogil=True, inline="always")
def pass_over(pool_bits, pool_asks, help_bits, length, cursor, idle, helpful, closer):
    """Pass over the queues of which nothing can start, by what is in use alone.

    ``closer``: bits of resources with a setup or under repair, which need a closer
    look: it finds when to come back.
    """
    anybody = 0
    for h in range(help_bits.size):
        if helpful & help_bits[h]:
            anybody |= 1 << min(h, BITS)
    for p in range(length.size):
        free = idle & pool_bits[p]
        if free == 0 or (free & closer == 0 and pool_asks[p] & ~anybody):
            cursor[p] = length[p]


@njit(cache=True, nogil=True, inline="always")
def pass_alike(queues, cursor, refusals, drawn_minutes, row, i, p, passes):
    """Pass over step i of pool p, which cannot start, and what follows that cannot either.

    What is like it but takes as long or longer does not fit where it does not: during a
    pass room only gets less. Before closing time queues are full of such steps.
    """
    queue_first, queue, length = queues[:3]
    alike, refused, too_long = refusals
    refused[alike[i]] = passes
    too_long[alike[i]] = drawn_minutes[row[i], i]
    cursor[p] += 1
    while cursor[p] < length[p]:
        m = queue[queue_first[p] + cursor[p]]
        if refused[alike[m]] != passes or drawn_minutes[row[m], m] < too_long[alike[m]]:
            break
        cursor[p] += 1

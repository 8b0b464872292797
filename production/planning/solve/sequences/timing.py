"""Times of a plan given as sequences: who runs where, with whom, in which order.

A plan is held as *blocks* (a batch run, or one step on a machine that runs steps one
by one) in a doubly linked list for every resource. Starting every block as early as
its predecessors and the resource's calendar allow gives the best times that this
plan can have: every objective here only grows with the times, and the earliest
start on a calendar only grows with the ready time. Where steps need helpers as well,
blocks are timed in the order of their starts and take the first helper free; a step may
be told to let another begin first, so that a person is kept for it on purpose.

Block labels are step numbers: a block is named by one of its own members, so no
label is ever taken twice. The state is one int32 table, cheap to copy:

row PREV, NEXT   neighbours of the block in its resource's list (-1: none)
row RES          the block's resource
row BLK          the block of a step
row MEM          the next member of the same block (-1: last; the first is the label)
row HEAD, TAIL   by resource: first and last block
row AFTER        a step whose block must have begun before the step does (-1: none);
                 read only where steps need helpers
"""

from __future__ import annotations

from numba import njit

PREV, NEXT, RES, BLK, MEM, HEAD, TAIL, AFTER = range(8)
ROWS = 8
NEVER = 1e12
LATE, TARDY, LEAD, SPAN, STUCK, NEAR, SOFT = range(7)
VALUES = 7
SHUT = 0.1  # what a closed minute counts in SOFT


@njit(cache=True, nogil=True, inline="always")
def opening(window, k, last, down, d, d_last, t, length, attended):  # type: ignore[no-untyped-def]
    """Return the first start from ``t`` on within windows ``k`` to ``last`` and no downtime."""
    begin = NEVER
    i = k
    while i < last:
        high = window[i, 1]
        if high >= t:
            begin = max(t, window[i, 0])
            for e in range(d, d_last):
                if down[e, 1] > begin and (
                    down[e, 0] < begin + length or (length == 0.0 and down[e, 0] <= begin)
                ):
                    begin = down[e, 1]
            if (attended and begin + length <= high + 1e-9) or (not attended and begin < high):
                break
            begin = NEVER
        i += 1
    return begin


@njit(cache=True, nogil=True)
def side_by_side(
    window, k, last, down, d, d_last, t, length, attended, size, capacity, ends, sizes, row, count
):  # type: ignore[no-untyped-def]
    """Return the first start on a resource that runs ``count`` steps side by side already."""
    while True:
        s = opening(window, k, last, down, d, d_last, t, length, attended)
        if s >= NEVER:
            return NEVER
        used = min(size, capacity)
        soonest = NEVER
        for i in range(count):
            if ends[row, i] > s:
                used += sizes[row, i]
                soonest = min(soonest, ends[row, i])
        if used <= capacity + 1e-9:
            return s
        t = soonest


@njit(cache=True, nogil=True)
def room(a, w, r, t, length, attended, size):  # type: ignore[no-untyped-def]
    """Return the first start from ``t`` on that calendar and load of a resource allow."""
    t = max(t, w.clock[r])
    k, last = w.window_at[r], a.window_from[r + 1]
    d, d_last = w.down_at[r], a.down_from[r + 1]
    row = a.shared[r]
    if row < 0:
        return opening(a.window, k, last, a.down, d, d_last, t, length, attended)
    return side_by_side(
        a.window, k, last, a.down, d, d_last, t, length, attended, size, a.capacity[r],
        w.active_end, w.active_size, row, w.active[row],
    )  # fmt: skip


@njit(cache=True, nogil=True)
def occupy(a, w, r, begin, end, size):  # type: ignore[no-untyped-def]
    """Enter a run into the resource's account; starts must not fall on a resource."""
    while w.window_at[r] < a.window_from[r + 1] and a.window[w.window_at[r], 1] < begin:
        w.window_at[r] += 1
    while w.down_at[r] < a.down_from[r + 1] and a.down[w.down_at[r], 1] <= begin:
        w.down_at[r] += 1
    row = a.shared[r]
    if row < 0:
        w.clock[r] = end
        return
    w.clock[r] = begin
    kept = 0
    for i in range(w.active[row]):
        if w.active_end[row, i] > begin:
            w.active_end[row, kept] = w.active_end[row, i]
            w.active_size[row, kept] = w.active_size[row, i]
            kept += 1
    w.active_end[row, kept] = end
    w.active_size[row, kept] = min(size, a.capacity[r])
    w.active[row] = kept + 1


@njit(cache=True, nogil=True)
def helpers(a, s, w, b, t, length):  # type: ignore[no-untyped-def]
    """Return the first time from ``t`` on at which all helpers of a block are free.

    The helpers chosen are left in ``w.helper`` and ``w.held``, their number in
    ``w.helping[0]``. One helper of each kind named by any member is needed, for the
    longest time that any member asks for.
    """
    count = 0
    o = b
    while o >= 0:
        attended = a.step_attended[o]
        held = min(a.hands[o], length) if a.hands[o] >= 0.0 else length if attended else 0.0
        for k in range(a.need_from[o], a.need_from[o + 1]):
            at = -1
            for i in range(count):
                if w.need_kind[i] == a.need[k]:
                    at = i
            if at < 0:
                w.need_kind[count] = a.need[k]
                w.held[count] = held
                count += 1
            elif held > w.held[at]:
                w.held[at] = held
        o = s[MEM, o]
    w.helping[0] = count
    latest = t
    for i in range(count):
        best = NEVER
        chosen = -1
        kind = w.need_kind[i]
        for k in range(a.help_from[kind], a.help_from[kind + 1]):
            h = a.help[k]
            taken = h == s[RES, b] and a.shared[h] < 0
            for p in range(i):
                if w.helper[p] == h and a.shared[h] < 0:
                    taken = True
            if taken:
                continue
            begin = room(a, w, h, t, w.held[i], True, 1.0)
            if begin < best:
                best = begin
                chosen = h
        w.helper[i] = chosen
        if best > latest:
            latest = best
    return latest


@njit(cache=True, nogil=True)
def reset(a, s, w):  # type: ignore[no-untyped-def]
    """Set all accounts to the present state; return the number of blocks that may start."""
    for r in range(a.batch.shape[0]):
        w.clock[r] = a.free_from[r]
        w.family[r] = a.last_family[r]
        w.window_at[r] = a.window_from[r]
        w.down_at[r] = a.down_from[r]
        row = a.shared[r]
        if row >= 0:
            w.active[row] = a.busy_until.shape[1]
            for i in range(a.busy_until.shape[1]):
                w.active_end[row, i] = a.busy_until[row, i]
                w.active_size[row, i] = a.busy_size[row, i]
    block, before, member = s[BLK], s[PREV], s[MEM]
    need, ready, stack, step_prev, step_ready = w.need, w.ready, w.stack, a.step_prev, a.step_ready
    top = 0
    for b in range(step_prev.shape[0]):
        if block[b] != b:
            continue
        wanted = 1 if before[b] >= 0 else 0
        free = 0.0
        o = b
        while o >= 0:
            if step_prev[o] >= 0:
                wanted += 1
            if step_ready[o] > free:
                free = step_ready[o]
            o = member[o]
        need[b] = wanted
        ready[b] = free
        if wanted == 0:
            stack[top] = b
            top += 1
    return top


@njit(cache=True, nogil=True)
def first_time(a, s, w, b):  # type: ignore[no-untyped-def]
    """Return the block's earliest start and its length."""
    r = s[RES, b]
    length = 0.0
    attended = False
    o = b
    while o >= 0:
        if a.minutes[o, r] > length:
            length = a.minutes[o, r]
        if a.step_attended[o]:
            attended = True
        o = s[MEM, o]
    t = w.ready[b]
    if a.setup[r] > 0.0 and w.family[r] >= 0 and w.family[r] != a.step_family[b]:
        t = max(t, w.clock[r] + a.setup[r])
    t = room(a, w, r, t, length, attended, a.step_size[b])
    while a.helped and t < NEVER:
        later = helpers(a, s, w, b, t, length)
        if later <= t or later >= NEVER:
            t = later
            break
        t = room(a, w, r, later, length, attended, a.step_size[b])
    return t, length


@njit(cache=True, nogil=True)
def hold_back(s, w, top):  # type: ignore[no-untyped-def]
    """Enter who waits for whom; return the number of blocks that may still start."""
    n = w.start.shape[0]
    for o in range(n):
        w.waiting[o] = -1
    for o in range(n):
        if s[AFTER, o] < 0:
            continue
        b, x = s[BLK, o], s[BLK, s[AFTER, o]]
        if b != x:
            w.next_waiting[o] = w.waiting[x]
            w.waiting[x] = o
            w.need[b] += 1
    kept = 0
    for i in range(top):
        if w.need[w.stack[i]] == 0:
            w.stack[kept] = w.stack[i]
            kept += 1
    return kept


@njit(cache=True, nogil=True)
def evaluate_helped(a, s, w):  # type: ignore[no-untyped-def]
    """Do the same as ``evaluate`` where steps need helpers: in the order of the starts."""
    top = hold_back(s, w, reset(a, s, w))
    placed = 0
    stuck = 0.0
    while top > 0:
        at = top - 1
        while True:
            for i in range(top):
                if w.ready[w.stack[i]] < w.ready[w.stack[at]]:
                    at = i
            b = w.stack[at]
            begin, length = first_time(a, s, w, b)
            if begin <= w.ready[b] or begin >= NEVER:
                break
            w.ready[b] = begin
        top -= 1
        w.stack[at] = w.stack[top]
        r = s[RES, b]
        if begin >= NEVER:
            stuck += 1.0
            begin = max(w.ready[b], w.clock[r])
            w.helping[0] = 0
        end = begin + length
        w.family[r] = a.step_family[b]
        occupy(a, w, r, begin, end, a.step_size[b])
        for i in range(w.helping[0]):
            occupy(a, w, w.helper[i], begin, begin + w.held[i], 1.0)
        o = w.waiting[b]
        while o >= 0:
            other = s[BLK, o]
            w.ready[other] = max(w.ready[other], begin)
            w.need[other] -= 1
            if w.need[other] == 0:
                w.stack[top] = other
                top += 1
            o = w.next_waiting[o]
        after = s[NEXT, b]
        if after >= 0:
            w.need[after] -= 1
            if w.need[after] == 0:
                w.stack[top] = after
                top += 1
        o = b
        while o >= 0:
            placed += 1
            w.start[o] = begin
            w.end[o] = end
            following = a.step_next[o]
            if following >= 0:
                other = s[BLK, following]
                if end > w.ready[other]:
                    w.ready[other] = end
                w.need[other] -= 1
                if w.need[other] == 0:
                    w.stack[top] = other
                    top += 1
            o = s[MEM, o]
    if placed < a.step_job.shape[0]:
        return False
    score(a, w, stuck)
    return True


@njit(cache=True, nogil=True)
def evaluate(a, s, w):  # type: ignore[no-untyped-def]
    """Time every block as early as it can be; return False if the order is circular.

    Fills ``w.start`` and ``w.end`` (by step), ``w.unit_end`` and ``w.value``.
    """
    if a.helped:
        return evaluate_helped(a, s, w)
    top = reset(a, s, w)
    start, end, ready, need, stack = w.start, w.end, w.ready, w.need, w.stack
    clock, minutes, step_next, attends = w.clock, a.minutes, a.step_next, a.step_attended
    setup, family, step_family, plain = a.setup, w.family, a.step_family, a.plain
    window_at, down_at, window, down = w.window_at, w.down_at, a.window, a.down
    window_from, down_from, shared, active = a.window_from, a.down_from, a.shared, w.active
    active_end, active_size = w.active_end, w.active_size
    step_size, capacity = a.step_size, a.capacity
    block, home, behind, member = s[BLK], s[RES], s[NEXT], s[MEM]
    placed = 0
    stuck = 0.0
    while top > 0:
        top -= 1
        b = stack[top]
        r = home[b]
        length = 0.0
        attended = False
        o = b
        while o >= 0:
            length = max(length, minutes[o, r])
            if attends[o]:
                attended = True
            o = member[o]
        t = max(ready[b], clock[r])
        if plain[r]:
            begin = t
            clock[r] = t + length
        else:
            if setup[r] > 0.0:
                if family[r] >= 0 and family[r] != step_family[b]:
                    t = max(t, clock[r] + setup[r])
                family[r] = step_family[b]
            k, last = window_at[r], window_from[r + 1]
            while k < last and window[k, 1] < t:
                k += 1
            window_at[r] = k
            d, d_last = down_at[r], down_from[r + 1]
            while d < d_last and down[d, 1] <= t:
                d += 1
            down_at[r] = d
            row = shared[r]
            if row < 0:
                begin = opening(window, k, last, down, d, d_last, t, length, attended)
                if begin >= NEVER:
                    stuck += 1.0
                    begin = t
                clock[r] = begin + length
            else:
                count = 0
                for i in range(active[row]):
                    if active_end[row, i] > t:
                        active_end[row, count] = active_end[row, i]
                        active_size[row, count] = active_size[row, i]
                        count += 1
                begin = side_by_side(
                    window, k, last, down, d, d_last, t, length, attended, step_size[b],
                    capacity[r], active_end, active_size, row, count,
                )  # fmt: skip
                if begin >= NEVER:
                    stuck += 1.0
                    begin = t
                active_end[row, count] = begin + length
                active_size[row, count] = min(step_size[b], capacity[r])
                active[row] = count + 1
                clock[r] = begin
        after = behind[b]
        if after >= 0:
            need[after] -= 1
            if need[after] == 0:
                stack[top] = after
                top += 1
        finish = begin + length
        o = b
        while o >= 0:
            placed += 1
            start[o] = begin
            end[o] = finish
            following = step_next[o]
            if following >= 0:
                other = block[following]
                if finish > ready[other]:
                    ready[other] = finish
                need[other] -= 1
                if need[other] == 0:
                    stack[top] = other
                    top += 1
            o = member[o]
    if placed < a.step_job.shape[0]:
        return False
    score(a, w, stuck)
    return True


@njit(cache=True, nogil=True, inline="always")
def shut_between(shut, since, until):  # type: ignore[no-untyped-def]
    """Return the closed minutes between two times."""
    minutes = 0.0
    for g in range(shut.shape[0]):
        if shut[g, 0] >= until:
            break
        minutes += max(min(until, shut[g, 1]) - max(since, shut[g, 0]), 0.0)
    return minutes


@njit(cache=True, nogil=True)
def score(a, w, stuck):  # type: ignore[no-untyped-def]
    """Fill ``w.value`` from the steps' times.

    ``NEAR`` counts late jobs by how far they are from being in time, in units of
    ``w.patience``, each as 1 at most: it leads the walk to the jobs that can still be
    saved, and leaves those alone that are given up. ``SOFT`` is the tardiness with closed
    time counted little: a job that misses the evening is then not a night worse than one that
    just makes it, and the walk may pass through plans in which it does.
    """
    for u in range(w.unit_end.shape[0]):
        w.unit_end[u] = -1e18  # what was done is over before now
    span = 0.0
    for j in range(a.job_last.shape[0]):
        last = a.job_last[j]
        end = a.job_end[j] if last < 0 else w.end[last]
        if end > span:
            span = end
        u = a.job_unit[j]
        if end > w.unit_end[u]:
            w.unit_end[u] = end
    late = 0.0
    tardy = 0.0
    lead = 0.0
    near = 0.0
    soft = 0.0
    for j in range(a.job_last.shape[0]):
        end = w.unit_end[a.job_unit[j]]
        lead += end
        over = end - a.job_due[j]
        if over > 1e-9:
            tardy += a.job_weight[j] * over
            late += 1.0
            near += min(over, w.patience[0]) / w.patience[0]
            closed = shut_between(a.shut, a.job_due[j], end)
            soft += a.job_weight[j] * (over - (1.0 - SHUT) * closed)
    w.value[LATE] = late
    w.value[TARDY] = tardy
    w.value[LEAD] = lead
    w.value[SPAN] = span
    w.value[STUCK] = stuck
    w.value[NEAR] = near
    w.value[SOFT] = soft

"""Changes to a plan held as sequences: take a step out, put it elsewhere, swap.

Every function works in place on the state table of ``timing.py``. None checks that
the order stays free of circles; ``evaluate`` finds that out.
"""

from __future__ import annotations

from numba import njit

from production.planning.solve.sequences.timing import BLK, HEAD, MEM, NEXT, PREV, RES, TAIL


@njit(cache=True, nogil=True, inline="always")
def draw(seed, bound):  # type: ignore[no-untyped-def]
    """Return a whole number in [0, bound) and advance the generator (xorshift)."""
    x = seed[0]
    x ^= x << 13
    x ^= (x >> 7) & 0x01FFFFFFFFFFFFFF
    x ^= x << 17
    seed[0] = x
    return ((x >> 11) & 0x001FFFFFFFFFFFFF) % bound


@njit(cache=True, nogil=True, inline="always")
def chance(seed):  # type: ignore[no-untyped-def]
    """Return a number in [0, 1)."""
    return draw(seed, 1 << 30) / (1 << 30)


@njit(cache=True, nogil=True)
def unlink(s, b):  # type: ignore[no-untyped-def]
    """Take block ``b`` out of its resource's list."""
    before, after, r = s[PREV, b], s[NEXT, b], s[RES, b]
    if before >= 0:
        s[NEXT, before] = after
    else:
        s[HEAD, r] = after
    if after >= 0:
        s[PREV, after] = before
    else:
        s[TAIL, r] = before


@njit(cache=True, nogil=True)
def link(s, b, r, before):  # type: ignore[no-untyped-def]
    """Put block ``b`` on resource ``r`` behind block ``before`` (-1: first)."""
    after = s[HEAD, r] if before < 0 else s[NEXT, before]
    s[RES, b] = r
    s[PREV, b] = before
    s[NEXT, b] = after
    if before >= 0:
        s[NEXT, before] = b
    else:
        s[HEAD, r] = b
    if after >= 0:
        s[PREV, after] = b
    else:
        s[TAIL, r] = b


@njit(cache=True, nogil=True)
def rename(s, b, name):  # type: ignore[no-untyped-def]
    """Name the block after its member ``name`` (the chain of members is kept)."""
    before, after, r = s[PREV, b], s[NEXT, b], s[RES, b]
    s[RES, name] = r
    s[PREV, name] = before
    s[NEXT, name] = after
    if before >= 0:
        s[NEXT, before] = name
    else:
        s[HEAD, r] = name
    if after >= 0:
        s[PREV, after] = name
    else:
        s[TAIL, r] = name
    o = name
    while o >= 0:
        s[BLK, o] = name
        o = s[MEM, o]


@njit(cache=True, nogil=True)
def take(s, o):  # type: ignore[no-untyped-def]
    """Take step ``o`` out of its block; an empty block leaves its list."""
    b = s[BLK, o]
    if b == o:
        second = s[MEM, o]
        if second < 0:
            unlink(s, b)
        else:
            rename(s, b, second)
    else:
        p = b
        while s[MEM, p] != o:
            p = s[MEM, p]
        s[MEM, p] = s[MEM, o]
    s[MEM, o] = -1
    s[BLK, o] = -1


@njit(cache=True, nogil=True)
def put(s, o, r, before):  # type: ignore[no-untyped-def]
    """Make a block of step ``o`` alone on ``r`` behind ``before`` (-1: first)."""
    s[BLK, o] = o
    s[MEM, o] = -1
    link(s, o, r, before)


@njit(cache=True, nogil=True)
def join(s, o, b):  # type: ignore[no-untyped-def]
    """Add step ``o`` to block ``b``."""
    s[BLK, o] = b
    s[MEM, o] = s[MEM, b]
    s[MEM, b] = o


@njit(cache=True, nogil=True, inline="always")
def load(a, s, b):  # type: ignore[no-untyped-def]
    """Return the sizes in block ``b`` together."""
    total = 0.0
    o = b
    while o >= 0:
        total += a.step_size[o]
        o = s[MEM, o]
    return total


@njit(cache=True, nogil=True, inline="always")
def fits(a, s, o, b):  # type: ignore[no-untyped-def]
    """Whether step ``o`` may join block ``b``."""
    r = s[RES, b]
    return (
        a.batch[r] == 1
        and a.minutes[o, r] >= 0.0
        and a.step_lot[o] == a.step_lot[b]
        and load(a, s, b) + a.step_size[o] <= a.capacity[r] + 1e-9
    )


@njit(cache=True, nogil=True, inline="always")
def span_of(a, w, o):  # type: ignore[no-untyped-def]
    """Return the times between which step ``o`` may lie without a circle."""
    low = -1.0
    high = 1e18
    if a.step_prev[o] >= 0:
        low = w.start[a.step_prev[o]]
    if a.step_next[o] >= 0:
        high = w.end[a.step_next[o]]
    return low, high


@njit(cache=True, nogil=True)
def random_gap(a, s, w, o, r, seed):  # type: ignore[no-untyped-def]
    """Return a random block of ``r`` behind which ``o`` fits (-1: first; -2: nowhere)."""
    low, high = span_of(a, w, o)
    chosen = -2
    seen = 0
    x = s[TAIL, r]
    while True:
        if x >= 0 and w.start[x] >= high:
            x = s[PREV, x]
            continue
        seen += 1
        if draw(seed, seen) == 0:
            chosen = x
        if x < 0 or w.end[x] <= low:
            return chosen
        x = s[PREV, x]


@njit(cache=True, nogil=True)
def random_company(a, s, w, o, r, seed):  # type: ignore[no-untyped-def]
    """Return a random block of ``r`` that ``o`` may join (-1: none)."""
    low, high = span_of(a, w, o)
    chosen = -1
    seen = 0
    b = s[TAIL, r]
    while b >= 0:
        if w.start[b] < high and fits(a, s, o, b):
            seen += 1
            if draw(seed, seen) == 0:
                chosen = b
        if w.end[b] <= low:
            break
        b = s[PREV, b]
    return chosen


@njit(cache=True, nogil=True)
def move_step(a, s, w, o, seed):  # type: ignore[no-untyped-def]
    """Put step ``o`` somewhere else: another place, machine or batch."""
    count = a.choice_from[o + 1] - a.choice_from[o]
    r = a.choice[a.choice_from[o] + draw(seed, count)]
    home, b = s[RES, s[BLK, o]], s[BLK, o]
    if count > 1 and draw(seed, 2) == 0:
        r = home
    before = s[PREV, b]
    after = s[NEXT, b]
    alone = s[MEM, b] < 0
    take(s, o)
    if a.batch[r] == 1 and draw(seed, 3) > 0:
        company = random_company(a, s, w, o, r, seed)
        if company >= 0:
            join(s, o, company)
            return True
    if r == home and alone and draw(seed, 2) == 0:
        steps = 1 + draw(seed, 3)
        x = before
        if draw(seed, 2) == 0:
            while steps > 0 and x >= 0:
                x = s[PREV, x]
                steps -= 1
        else:
            x = after
            while steps > 1 and x >= 0 and s[NEXT, x] >= 0:
                x = s[NEXT, x]
                steps -= 1
            if x < 0:
                x = before
        put(s, o, r, x)
        return True
    x = random_gap(a, s, w, o, r, seed)
    if x == -2:
        return False
    put(s, o, r, x)
    return True


@njit(cache=True, nogil=True)
def swap_blocks(s, b, c):  # type: ignore[no-untyped-def]
    """Exchange the places of two blocks (of one resource or of two)."""
    if s[NEXT, c] == b:
        b, c = c, b
    before_b, r_b = s[PREV, b], s[RES, b]
    before_c, r_c = s[PREV, c], s[RES, c]
    if s[NEXT, b] == c:
        unlink(s, b)
        link(s, b, r_c, c)
        return
    unlink(s, b)
    unlink(s, c)
    link(s, c, r_b, before_b)
    link(s, b, r_c, before_c)


@njit(cache=True, nogil=True)
def may_run(a, s, b, r):  # type: ignore[no-untyped-def]
    """Whether resource ``r`` may run the whole block ``b``."""
    o = b
    total = 0.0
    while o >= 0:
        if a.minutes[o, r] < 0.0:
            return False
        total += a.step_size[o]
        o = s[MEM, o]
    return a.batch[r] == 0 or total <= a.capacity[r] + 1e-9


@njit(cache=True, nogil=True)
def random_other(s, b, seed, reach):  # type: ignore[no-untyped-def]
    """Return a block up to ``reach`` places from ``b`` in its list (-1: none)."""
    steps = 1 + draw(seed, reach)
    row = PREV if draw(seed, 2) == 0 else NEXT
    c = s[row, b]
    while steps > 1 and c >= 0 and s[row, c] >= 0:
        c = s[row, c]
        steps -= 1
    return c


@njit(cache=True, nogil=True)
def exchange(a, s, o, q):  # type: ignore[no-untyped-def]
    """Let steps ``o`` and ``q`` change places; False if either may not run there."""
    b, c = s[BLK, o], s[BLK, q]
    if b == c:
        return False
    r_b, r_c = s[RES, b], s[RES, c]
    if a.minutes[o, r_c] < 0.0 or a.minutes[q, r_b] < 0.0:
        return False
    if s[MEM, b] < 0 and s[MEM, c] < 0:
        if a.batch[r_c] == 1 and a.step_size[o] > a.capacity[r_c] + 1e-9:
            return False
        if a.batch[r_b] == 1 and a.step_size[q] > a.capacity[r_b] + 1e-9:
            return False
        swap_blocks(s, b, c)
        return True
    if s[MEM, b] >= 0 and a.step_lot[q] != a.step_lot[o]:
        return False
    if s[MEM, c] >= 0 and a.step_lot[q] != a.step_lot[o]:
        return False
    room_b = a.capacity[r_b] - load(a, s, b) + a.step_size[o]
    room_c = a.capacity[r_c] - load(a, s, c) + a.step_size[q]
    if a.step_size[q] > room_b + 1e-9 or a.step_size[o] > room_c + 1e-9:
        return False
    stay_b = s[MEM, b] if b == o else b
    stay_c = s[MEM, c] if c == q else c
    before_b, before_c = s[PREV, b], s[PREV, c]
    take(s, o)
    take(s, q)
    if stay_c >= 0:
        join(s, o, stay_c)
    if stay_b >= 0:
        join(s, q, stay_b)
    if stay_c < 0:
        put(s, o, r_c, stay_b if before_c == b else before_c)
    if stay_b < 0:
        put(s, q, r_b, stay_c if before_b == c else before_b)
    return True


@njit(cache=True, nogil=True)
def move_job(a, s, w, j, k, seed):  # type: ignore[no-untyped-def]
    """Bring job ``j`` next to job ``k`` wherever both use the same resources."""
    o, q = a.job_last[j], a.job_last[k]
    ahead = draw(seed, 2) == 0
    together = draw(seed, 2) == 0
    done = False
    while o >= 0 and q >= 0:
        if a.step_class[o] != a.step_class[q]:
            if a.step_left[o] >= a.step_left[q]:
                o = a.step_prev[o]
            else:
                q = a.step_prev[q]
            continue
        b = s[BLK, q]
        r = s[RES, b]
        if s[BLK, o] != b and a.minutes[o, r] >= 0.0:
            take(s, o)
            if a.batch[r] == 1 and together and fits(a, s, o, b):
                join(s, o, b)
            elif a.batch[r] == 1 and a.step_size[o] > a.capacity[r] + 1e-9:
                return False
            else:
                put(s, o, r, s[PREV, b] if ahead else b)
            done = True
        o, q = a.step_prev[o], a.step_prev[q]
    return done


@njit(cache=True, nogil=True)
def swap_jobs(a, s, j, k):  # type: ignore[no-untyped-def]
    """Let two jobs change places wherever both use the same resources."""
    o, q = a.job_last[j], a.job_last[k]
    done = False
    while o >= 0 and q >= 0:
        if a.step_class[o] != a.step_class[q]:
            if a.step_left[o] >= a.step_left[q]:
                o = a.step_prev[o]
            else:
                q = a.step_prev[q]
            continue
        if s[BLK, o] != s[BLK, q] and exchange(a, s, o, q):
            done = True
        o, q = a.step_prev[o], a.step_prev[q]
    return done


@njit(cache=True, nogil=True)
def soonest_place(a, s, w, o, r, j, t):  # type: ignore[no-untyped-def]
    """Return (begin, block to join or -1, block to stand behind) of step ``o`` on ``r`` from ``t``.

    By the times before the change. Of job ``j`` only earlier steps are in the lists.
    """
    join_at = -1
    shares = a.batch[r] == 1 and a.minutes[o, r] >= 0.0
    x = s[TAIL, r]
    while x >= 0 and w.start[x] >= t and a.step_job[x] != j:
        if shares and a.step_lot[x] == a.step_lot[o] and fits(a, s, o, x):
            join_at = x
        x = s[PREV, x]
    begin = t
    if x >= 0 and a.step_job[x] != j:
        begin = max(t, w.start[x] if a.shared[r] >= 0 else w.end[x])
    return begin, join_at, x


@njit(cache=True, nogil=True)
def reinsert(a, s, w, j, o, t, fixed, at, seed):  # type: ignore[no-untyped-def]
    """Take job ``j`` out from step ``o`` on and put it back, each step as soon as it can begin.

    Others give way. Nothing begins before ``t``; step ``fixed`` (-1: none) stays in its
    block, which begins at about ``at``.
    """
    first = o
    while o >= 0:
        if o != fixed:
            take(s, o)
        o = a.step_next[o]
    o = first
    while o >= 0:
        if o == fixed:
            t = max(t, at) + a.minutes[o, s[RES, s[BLK, o]]]
            o = a.step_next[o]
            continue
        t = max(t, a.step_ready[o])
        count = a.choice_from[o + 1] - a.choice_from[o]
        chosen = a.choice[a.choice_from[o] + draw(seed, count)]
        begin, company, behind = soonest_place(a, s, w, o, chosen, j, t)
        if count > 1 and draw(seed, 4) > 0:
            for k in range(a.choice_from[o], a.choice_from[o + 1]):
                r = a.choice[k]
                other, c, x = soonest_place(a, s, w, o, r, j, t)
                if other + a.minutes[o, r] < begin + a.minutes[o, chosen]:
                    begin, company, behind, chosen = other, c, x, r
        if company >= 0 and draw(seed, 8) > 0:
            begin = w.start[company]
            join(s, o, company)
        elif a.batch[chosen] == 1 and a.step_size[o] > a.capacity[chosen] + 1e-9:
            return False
        else:
            put(s, o, chosen, behind)
        t = begin + a.minutes[o, chosen]
        o = a.step_next[o]
    return True


@njit(cache=True, nogil=True)
def follow(a, s, w, o, at, seed):  # type: ignore[no-untyped-def]
    """Let the job of ``o``, which now begins at about ``at``, find its places around it.

    The steps before it move only where it begins sooner than it did.
    """
    first = o
    t = at
    if at < w.start[o]:
        work = 0.0
        while a.step_prev[first] >= 0:
            first = a.step_prev[first]
            work += a.minutes[first, a.choice[a.choice_from[first]]]
        t = a.step_ready[first]
        if draw(seed, 2) == 0:
            t += chance(seed) * max(at - work - t, 0.0)
    return reinsert(a, s, w, a.step_job[o], first, t, o, at, seed)


@njit(cache=True, nogil=True)
def other_company(a, s, w, o, seed):  # type: ignore[no-untyped-def]
    """Let ``o`` join another batch, or change places with a member of it; the jobs follow."""
    b = s[BLK, o]
    q = draw(seed, a.step_job.shape[0])
    for _ in range(8):
        if s[BLK, q] != b and a.step_lot[q] == a.step_lot[o] and a.step_class[q] == a.step_class[o]:
            break
        q = draw(seed, a.step_job.shape[0])
    c = s[BLK, q]
    if c == b or a.step_lot[q] != a.step_lot[o] or a.step_class[q] != a.step_class[o]:
        return False
    there, back = w.start[c], w.start[b]
    if a.minutes[o, s[RES, c]] >= 0.0 and fits(a, s, o, c) and draw(seed, 2) == 0:
        take(s, o)
        join(s, o, c)
        return follow(a, s, w, o, there, seed)
    if not exchange(a, s, o, q):
        return False
    return follow(a, s, w, o, there, seed) and follow(a, s, w, q, back, seed)


@njit(cache=True, nogil=True)
def swap_batches(a, s, w, b, c, seed):  # type: ignore[no-untyped-def]
    """Exchange the places of two blocks; the jobs of their members follow."""
    if w.start[c] < w.start[b]:
        b, c = c, b
    sooner = w.start[b]
    later = max(w.end[c] - (w.end[b] - w.start[b]), sooner)
    swap_blocks(s, b, c)
    o = c
    while o >= 0:
        if not follow(a, s, w, o, sooner, seed):
            return False
        o = s[MEM, o]
    o = b
    while o >= 0:
        if not follow(a, s, w, o, later, seed):
            return False
        o = s[MEM, o]
    return True

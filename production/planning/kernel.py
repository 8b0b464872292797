"""How the bench works: the one compiled simulation behind plan, quote and foresight.

Given a shop, a policy and the durations, ``simulate`` says when every step starts
and ends, and where. It is event driven; its cost grows with the number of runs.

Specification
-------------
Time moves from one *moment* to the next: the end of a run, a release, the end of a
helper's hands-on part, the opening of a window, the end of a downtime, repair or
setup, the end of a wait for a fuller batch. At a moment, first everything that ends
or arrives at it is booked, then one *dispatch pass* is made. A step of no duration
ends at the same moment, after the pass; another pass follows.

1. A step joins the queue of its pool when its job is released and the step before
   it has ended, not before 0 and not before ``hold``. A queue is ordered by
   (key of the rule, moment of joining, number of the job).
2. A pass looks at the first step not yet looked at of every queue, takes the best of
   these by the same order, and either starts it or passes it over, until none is
   left. Every step is looked at once at most, except that a whole queue is passed
   over when no resource of its pool is free.
3. A step starts on the free resource with the smallest duration for it; equal ones in
   the order of the problem. Free: not out of use (repair), its setup after a run of
   another family over, and room: nothing running on a batch resource, ``capacity``
   less the sizes running on another (a step larger than the capacity takes it alone).
   The run must *fit*: attended, it lies inside one open window; unattended, it starts
   inside one, before its close; and it overlaps no downtime.
4. It also takes, in the order of its ``needs``, the first free helper (fewest skills
   first, then the order of the problem) inside whose open window the held part lies.
   A helper held for no time only has to be free and open at the start.
5. On a batch resource the step is the head. Waiting steps of its lot (kind and
   family) join in queue order, the head's own queue first, then the resource's other
   queues in order, each if the sizes stay within ``capacity`` and the run, as long as
   its longest member and attended if any is, still fits resource and helpers. The
   batch waits, and all of its lot are passed over, if no member was turned away for
   size, the room left holds the smallest step of the lot, more steps of the lot are
   still to come, and the deadline is ahead. The deadline is the earliest of the
   members' joining plus ``wait``, and of the last moment at which the run can start
   inside the present window (one minute before its close when unattended).
6. At the end of a run on a resource with ``failure`` the whole run fails if the
   head's ``run_luck`` is below it (the resource is then out of use for ``repair``);
   else a member fails if its ``luck`` is below the step's ``failure``. A failed member
   joins the queue of its ``rework`` step at once, and all steps from there up to it
   move on to their next row of draws; in the last row nothing fails.
7. Started steps run at the beginning, until started + duration or now, whichever is
   later; those of one batch resource, start and lot are one run. Each takes the first
   free helpers, whatever their windows.
8. A duration is the draw times the resource's ratio times the factor of the day on
   which the run starts (days begin at midnight by ``clock``; the last factor stands
   for all later days).

Nothing loops for ever: runs are at most steps times rows, and moments at which
something opens are finite. A step that cannot start has infinite times.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from production.planning.shop import DONE, STARTED, WAITING

__all__ = ["Draw", "Policy", "Times", "simulate"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIRST_COME, EARLIEST_DUE, LEAST_SLACK, SHORTEST, LONGEST, MOST_WORK, GIVEN = range(7)
APPARENT_COST, CRITICAL_RATIO = 7, 8
DAY = 1440.0
TINY = 1e-9
END_RUN, END_HANDS, ARRIVE = range(3)
FITS, CLOSED, TOO_LONG = range(3)


class Policy(NamedTuple):
    """How the bench decides.

    rule: number of the rule; look_ahead: the constant k of apparent tardiness cost;
    typical: mean duration it uses; key (N,): for the given order, smaller first;
    wait (N,): minutes a step waits for a fuller batch; hold (N,): not queued earlier.
    """

    rule: int
    look_ahead: float
    typical: float
    key: Floats
    wait: Floats
    hold: Floats


class Draw(NamedTuple):
    """One future: durations (A, N), luck (A, N), run_luck (A, N), day factors (D,)."""

    minutes: Floats
    luck: Floats
    run_luck: Floats
    factor: Floats


class Times(NamedTuple):
    """What happened: start, end, ready (N,), resource, run (N,), finish (J,).

    Of a step done again, the last attempt. ``ready``: moment of joining the queue.
    ``run`` numbers the runs in order of starting; -1 and inf where there was none.
    """

    start: Floats
    end: Floats
    ready: Floats
    resource: Ints
    run: Ints
    finish: Floats


@njit(cache=True, nogil=True)
def room(windows, window, r, t, minutes, attended):
    """Return FITS if resource r can be held from t on for so many minutes, else why not.

    CLOSED: nothing at all can start on it at t. TOO_LONG: something shorter might.
    ``windows`` is (first, from, to, down first, down from, down to) of the shop,
    ``window`` the number of the first window of each resource that is not over.
    """
    first, opens, closes, down_first, down_from, down_to = windows
    found = CLOSED
    for w in range(window[r], first[r + 1]):
        if opens[w] > t:
            break
        if t < closes[w] if not attended else t + minutes <= closes[w] + TINY:
            found = FITS
            break
        if t <= closes[w] + TINY:
            found = TOO_LONG
    for d in range(down_first[r], down_first[r + 1]):
        if down_from[d] <= t < down_to[d]:
            return CLOSED
        if down_from[d] < t + minutes - TINY and down_to[d] > t:
            return TOO_LONG if found == FITS else found
    return found


@njit(cache=True, nogil=True)
def last_start(windows, window, r, t, minutes, attended):
    """Last moment at which a run that fits at t still fits the present window."""
    latest = t
    for w in range(window[r], windows[0][r + 1]):
        if windows[1][w] > t:
            break
        latest = max(latest, windows[2][w] - (minutes if attended else 1.0))
    return latest


@njit(cache=True, nogil=True)
def ratio_on(pool, pool_first, pool_resource, ratio_first, ratio, i, r):
    """Duration of step i on resource r over its nominal one."""
    first = pool_first[pool[i]]
    for k in range(first, pool_first[pool[i] + 1]):
        if pool_resource[k] == r:
            return ratio[ratio_first[i] + k - first]
    return 1.0


@njit(cache=True, nogil=True)
def key_of(rule, look_ahead, typical, promise, weight, remaining, minutes, given, t):
    """Return the key of a step at moment t, smaller first."""
    if rule == EARLIEST_DUE:
        return promise
    if rule == LEAST_SLACK:
        return promise - remaining
    if rule == SHORTEST:
        return minutes
    if rule == LONGEST:
        return -minutes
    if rule == MOST_WORK:
        return -remaining
    if rule == GIVEN:
        return given
    if rule == APPARENT_COST:
        gain = np.log(max(weight, 1e-12) / max(minutes, 1e-6))
        return max(promise - t - remaining, 0.0) / (look_ahead * typical) - gain
    if rule == CRITICAL_RATIO:
        return (promise - t) / max(remaining, 1e-6)
    return t


@njit(cache=True, nogil=True)
def before(step_job, key, ready, a, b):
    """Whether step a stands before step b in a queue."""
    if key[a] != key[b]:
        return key[a] < key[b]
    if ready[a] != ready[b]:
        return ready[a] < ready[b]
    return step_job[a] < step_job[b]


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def choose_helpers(windows, needs, window, busy, i, t, hold, taken):
    """Fill ``taken`` with a free helper for each need of step i; whether there is one.

    ``needs`` is (need_first, need, help_first, help) of the shop; a negative hold
    asks for no open window.
    """
    need_first, need, help_first, help_resource = needs
    first = need_first[i]
    for n in range(first, need_first[i + 1]):
        found = -1
        for k in range(help_first[need[n]], help_first[need[n] + 1]):
            r = help_resource[k]
            if busy[r]:
                continue
            doubled = False
            for other in range(n - first):
                doubled = doubled or taken[other] == r
            if not doubled and (hold < 0 or room(windows, window, r, t, hold, True) == FITS):
                found = r
                break
        if found < 0:
            return False
        taken[n - first] = found
    return True


@njit(cache=True, nogil=True)
def insert(queue, first, count, step_job, key, ready, i):
    """Put step i into the sorted queue of ``count`` steps that begins at ``first``."""
    k = first + count
    while k > first and before(step_job, key, ready, i, queue[k - 1]):
        queue[k] = queue[k - 1]
        k -= 1
    queue[k] = i


@njit(cache=True, nogil=True)
def day_factor(factors, clock, t):
    """Factor of the day on which moment t lies."""
    if factors.size == 1:
        return factors[0]
    day = int(np.floor((t + clock) / DAY) - np.floor(clock / DAY))
    return factors[min(max(day, 0), factors.size - 1)]


@njit(cache=True, nogil=True)
def join_queue(queues, keys, i, t):
    """Let step i join the queue of its pool at moment t.

    ``queues`` is (pool, queue_first, queue, length, step_job, key, ready), ``keys``
    (rule, look_ahead, typical, promise, weight, remaining, minutes, given).
    """
    pool, queue_first, queue, length, step_job, key, ready = queues
    rule, look_ahead, typical, promise, weight, remaining, minutes, given = keys
    j = step_job[i]
    ready[i] = t
    key[i] = key_of(
        rule, look_ahead, typical, promise[j], weight[j], remaining[i], minutes[i], given[i], t
    )
    p = pool[i]
    insert(queue, queue_first[p], length[p], step_job, key, ready, i)
    length[p] += 1


@njit(cache=True, nogil=True)
def leave_queue(queues, cursor, i):
    """Take step i out of the queue of its pool."""
    pool, queue_first, queue, length, _, _, _ = queues
    p = pool[i]
    first = queue_first[p]
    k = first
    while queue[k] != i:
        k += 1
    if k - first < cursor[p]:
        cursor[p] -= 1
    for m in range(k, first + length[p] - 1):
        queue[m] = queue[m + 1]
    length[p] -= 1


@njit(cache=True, nogil=True)
def reorder(queues, keys, t):
    """Sort all queues anew at moment t by a rule that changes with time."""
    _, queue_first, queue, length, step_job, key, ready = queues
    rule, look_ahead, typical, promise, weight, remaining, minutes, given = keys
    for p in range(length.size):
        first = queue_first[p]
        for count in range(length[p]):
            i = queue[first + count]
            j = step_job[i]
            key[i] = key_of(
                rule,
                look_ahead,
                typical,
                promise[j],
                weight[j],
                remaining[i],
                minutes[i],
                given[i],
                t,
            )
            insert(queue, first, count, step_job, key, ready, i)


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
    job_first = shop.job_first
    release = shop.release
    step_job = shop.step_job
    state = shop.state
    started = shop.started
    ended = shop.ended
    placed = shop.placed
    attended = shop.attended
    size = shop.size
    family = shop.family
    lot = shop.lot
    lot_smallest = shop.lot_smallest
    failure = shop.failure
    rework = shop.rework
    hands = shop.hands
    need_first = shop.need_first
    pool = shop.pool
    pool_first = shop.pool_first
    pool_resource = shop.pool_resource
    ratio_first = shop.ratio_first
    queue_first = shop.queue_first
    resource_pool_first = shop.resource_pool_first
    resource_pool = shop.resource_pool
    capacity = shop.capacity
    batch = shop.batch
    setup = shop.setup
    resource_failure = shop.resource_failure
    repair = shop.repair
    window_first = shop.window_first
    window_to = shop.window_to
    ratios = shop.ratio
    moments = shop.wake
    drawn_minutes, luck, run_luck, factors = draw
    rule = policy.rule
    wait = policy.wait
    hold = policy.hold
    windows = (
        shop.window_first,
        shop.window_from,
        shop.window_to,
        shop.down_first,
        shop.down_from,
        shop.down_to,
    )
    help_lists = (shop.need_first, shop.need, shop.help_first, shop.help)
    keys = (
        rule,
        policy.look_ahead,
        policy.typical,
        shop.promise,
        shop.weight,
        shop.remaining,
        shop.minutes,
        policy.key,
    )
    steps = step_job.size
    jobs = release.size
    resources = capacity.size
    pools = pool_first.size - 1
    rows = drawn_minutes.shape[0]

    start = np.full(steps, np.inf)
    end = np.full(steps, np.inf)
    ready = np.full(steps, np.inf)
    place = np.full(steps, -1)
    run = np.full(steps, -1)
    finish = np.full(jobs, np.inf)

    key = np.zeros(steps)
    row = np.zeros(steps, np.int64)
    follower = np.full(steps, -1)
    needs = 0
    for i in range(steps):
        needs = max(needs, need_first[i + 1] - need_first[i])
    helper = np.full((steps, needs), -1)
    taken = np.full(needs, -1)
    queue = np.zeros(steps, np.int64)
    length = np.zeros(pools, np.int64)
    cursor = np.zeros(pools, np.int64)
    queues = (pool, queue_first, queue, length, step_job, key, ready)
    used = np.zeros(resources)
    busy = np.zeros(resources, np.int64)
    available = np.full(resources, -np.inf)
    last_end = np.full(resources, -np.inf)
    last_family = np.full(resources, -1)
    window = window_first[:-1].copy()
    to_come = np.zeros(lot_smallest.size, np.int64)
    waits = np.zeros(lot_smallest.size, np.int64)
    heap_time = np.empty(2 * steps + jobs + 1)
    heap_event = np.empty(2 * steps + jobs + 1, np.int64)
    events = 0
    runs = 0
    queued = 0
    passes = 0

    # The state now: what is done, what runs, what is still to come.
    for j in range(jobs):
        current = -1
        for i in range(job_first[j], job_first[j + 1]):
            if state[i] == WAITING:
                to_come[lot[i]] += 1
            if current < 0 and state[i] != DONE:
                current = i
        if current < 0:
            last = ended[job_first[j + 1] - 1]
            finish[j] = 0.0 if np.isnan(last) else last
        elif state[current] == WAITING:
            moment = max(release[j], hold[current])
            events = push(heap_time, heap_event, events, moment, ARRIVE * steps + current)
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
        events = push(heap_time, heap_event, events, end[i], END_RUN * steps + i)
        held_until = min(start[i] + hands[i], end[i])
        if held_until > 0 and choose_helpers(
            windows, help_lists, window, busy, i, 0.0, -1.0, taken
        ):
            for n in range(need_first[i + 1] - need_first[i]):
                helper[i, n] = taken[n]
                busy[taken[n]] = 1
            if held_until < end[i]:
                events = push(heap_time, heap_event, events, held_until, END_HANDS * steps + i)

    t = 0.0
    opening = 0
    while True:
        # Book everything that ends or arrives at this moment.
        while events > 0 and heap_time[0] <= t:
            kind = heap_event[0] // steps
            i = heap_event[0] % steps
            events = pop(heap_time, heap_event, events)
            if kind == ARRIVE:
                to_come[lot[i]] -= 1
                join_queue(queues, keys, i, t)
                queued += 1
                continue
            for n in range(need_first[i + 1] - need_first[i]):
                if helper[i, n] >= 0:
                    busy[helper[i, n]] = 0
                    helper[i, n] = -1
            if kind == END_HANDS:
                continue
            r = place[i]
            if batch[r]:
                used[r] = 0.0
            else:
                used[r] -= min(size[i], capacity[r])
                if used[r] < TINY:
                    used[r] = 0.0
            last_end[r] = t
            last_family[r] = family[i]
            run_failed = run_luck[row[i], i] < resource_failure[r]
            if run_failed and row[i] + 1 < rows:
                available[r] = t + repair[r]
            m = i
            while m >= 0:
                following = follower[m]
                follower[m] = -1
                failed = run_failed or luck[row[m], m] < failure[m]
                if failed and row[m] + 1 < rows:
                    back = rework[m]
                    for s in range(back, m + 1):
                        row[s] += 1
                        if s > back:
                            to_come[lot[s]] += 1
                    join_queue(queues, keys, back, t)
                    queued += 1
                elif m + 1 == job_first[step_job[m] + 1]:
                    finish[step_job[m]] = t
                elif hold[m + 1] > t:
                    events = push(
                        heap_time, heap_event, events, hold[m + 1], ARRIVE * steps + m + 1
                    )
                else:
                    to_come[lot[m + 1]] -= 1
                    join_queue(queues, keys, m + 1, t)
                    queued += 1
                m = following

        # One dispatch pass.
        wake = np.inf
        if queued > 0:
            passes += 1
            factor = day_factor(factors, shop.clock, t)
            for r in range(resources):
                while window[r] < window_first[r + 1] and window_to[window[r]] < t:
                    window[r] += 1
            if rule >= APPARENT_COST:
                reorder(queues, keys, t)
            for p in range(pools):
                cursor[p] = 0
            while True:
                i = -1
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
                # The free resource on which it takes least time.
                r = -1
                minutes = np.inf
                any_open = False
                for k in range(pool_first[p], pool_first[p + 1]):
                    q = pool_resource[k]
                    if used[q] > capacity[q] - TINY:
                        continue
                    if available[q] > t:
                        wake = min(wake, available[q])
                        continue
                    taking = min(size[i], capacity[q])
                    if not batch[q] and used[q] + taking > capacity[q] + TINY:
                        any_open = True
                        continue
                    if setup[q] > 0 and last_family[q] not in (-1, family[i]):
                        if last_end[q] + setup[q] > t:
                            wake = min(wake, last_end[q] + setup[q])
                            any_open = True
                            continue
                    ratio = ratios[ratio_first[i] + k - pool_first[p]]
                    needed = drawn_minutes[row[i], i] * ratio * factor
                    if needed < minutes:
                        verdict = room(windows, window, q, t, needed, attended[i] == 1)
                        if verdict == FITS:
                            r = q
                            minutes = needed
                        any_open = any_open or verdict != CLOSED
                if not any_open:
                    cursor[p] = length[p]
                    continue
                held_for = hands[i]
                if r < 0 or not choose_helpers(
                    windows, help_lists, window, busy, i, t, min(held_for, minutes), taken
                ):
                    cursor[p] += 1
                    continue
                if batch[r]:
                    total = size[i]
                    watched = attended[i] == 1
                    full = False
                    deadline = ready[i] + wait[i]
                    tail = i
                    own = True
                    turn = resource_pool_first[r] - 1
                    while turn < resource_pool_first[r + 1]:
                        q = p if own else resource_pool[turn]
                        if own or q != p:
                            for k in range(length[q]):
                                m = queue[queue_first[q] + k]
                                if m == i or lot[m] != lot[i]:
                                    continue
                                if total + size[m] > capacity[r] + TINY:
                                    full = True
                                    continue
                                longer = max(
                                    minutes,
                                    drawn_minutes[row[m], m]
                                    * ratio_on(
                                        pool, pool_first, pool_resource, ratio_first, ratios, m, r
                                    )
                                    * factor,
                                )
                                guarded = watched or attended[m] == 1
                                longer_hands = max(held_for, hands[m])
                                ok = room(windows, window, r, t, longer, guarded) == FITS
                                for n in range(need_first[i + 1] - need_first[i]):
                                    held = min(longer_hands, longer)
                                    ok = ok and (
                                        room(windows, window, taken[n], t, held, True) == FITS
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
                    mine = lot[i]
                    if not (
                        full
                        or capacity[r] - total < lot_smallest[mine] - TINY
                        or to_come[mine] == 0
                        or deadline <= t
                    ):
                        deadline = min(
                            deadline, last_start(windows, window, r, t, minutes, watched)
                        )
                        if deadline > t:
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
                    leave_queue(queues, cursor, m)
                    queued -= 1
                    start[m] = t
                    end[m] = t + minutes
                    place[m] = r
                    run[m] = runs
                    m = follower[m]
                runs += 1
                used[r] = capacity[r] if batch[r] else used[r] + min(size[i], capacity[r])
                events = push(heap_time, heap_event, events, t + minutes, END_RUN * steps + i)
                held = min(held_for, minutes)
                if held > 0 and needs > 0:
                    for n in range(need_first[i + 1] - need_first[i]):
                        helper[i, n] = taken[n]
                        busy[taken[n]] = 1
                    if held < minutes and need_first[i + 1] > need_first[i]:
                        events = push(
                            heap_time, heap_event, events, t + held, END_HANDS * steps + i
                        )

        upcoming = heap_time[0] if events > 0 else np.inf
        if queued > 0:
            while opening < moments.size and moments[opening] <= t:
                opening += 1
            if opening < moments.size:
                upcoming = min(upcoming, moments[opening])
            upcoming = min(upcoming, wake)
        if upcoming == np.inf:
            break
        t = upcoming
    return Times(start, end, ready, place, run, finish)

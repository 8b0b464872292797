"""A SimPy model of the bench, written from the kernel's specification alone.

It reads the problem's own objects (not the kernel's arrays) and is fed the same
draws, so that it must agree with the kernel to the last digits.
"""

from __future__ import annotations

import math
from heapq import heappush
from typing import Any

import simpy

from production.planning.entities import Step
from tests.planning.simpy_state import EPS, NOTHING, State, Waiting

LAST = 2  # after SimPy's own urgent and normal events of a moment


class Bench(State):
    """Machines and people, a foreman who makes the dispatch passes, jobs as processes."""

    # -- the foreman ------------------------------------------------------------------
    def call(self) -> None:
        """Ask for a dispatch pass once everything of this moment is booked."""
        if self.called_at == self.env.now:
            return
        self.called_at = self.env.now
        event = simpy.Event(self.env)
        event._ok, event._value = True, None
        event.callbacks.append(lambda _: self.dispatch())
        self.env.schedule(event, priority=LAST)

    def at(self, moment: float) -> simpy.Event:
        """Return an event that happens exactly at a moment (now plus a delay would round)."""
        event = simpy.Event(self.env)
        event._ok, event._value = True, None
        heappush(self.env._queue, (max(moment, self.env.now), 1, next(self.env._eid), event))
        return event

    def call_later(self, moment: float) -> None:
        """Come back at a moment unless another pass was made before."""
        if moment == math.inf:
            return
        self.wake_number += 1
        mine = self.wake_number

        def alarm() -> Any:
            yield self.at(moment)
            if mine == self.wake_number:
                self.call()

        self.env.process(alarm())

    def openings(self) -> Any:
        moments = {
            edge
            for r in self.problem.resources
            for edge in [*(a for a, _ in self.windows(r)), *(b for _, b in r.down)]
            if 0 < edge < math.inf
        }
        for moment in sorted(moments):
            yield self.at(moment)
            self.call()

    def dispatch(self) -> None:
        self.called_at = -1.0
        if not any(self.queues.values()):
            return
        self.wake_number += 1
        self.wakes: list[float] = []
        self.told_to_wait: set[tuple[str, str | None]] = set()
        looked_at: set[int] = set()
        closed: set[tuple[int, ...]] = set()
        while True:
            heads = []
            for pool, queue in self.queues.items():
                if pool in closed:
                    continue
                rest = sorted((w for w in queue if id(w) not in looked_at), key=self.rank)
                heads += [(self.rank(rest[0]), pool, rest[0])] if rest else []
            if not heads:
                break
            _, pool, best = min(heads, key=lambda h: h[0])
            looked_at.add(id(best))
            if self.lot(best.step) not in self.told_to_wait:
                self.try_start(pool, best)
        self.call_later(min(self.wakes, default=math.inf))

    def free(self, r: int, step: Step) -> bool:
        resource, t = self.problem.resources[r], self.env.now
        if resource.batch:
            if self.used[r] > 0:
                return False
        elif self.used[r] > resource.capacity - EPS:
            return False
        if self.usable_from[r] > t:
            self.wakes.append(self.usable_from[r])
            return False
        taking = min(step.size, resource.capacity)
        if not resource.batch and self.used[r] + taking > resource.capacity + EPS:
            return False
        if resource.setup > 0 and self.used[r] > 0:
            return False
        changed = resource.setup > 0 and self.last_family[r] not in (NOTHING, step.family)
        if changed and self.last_end[r] + resource.setup > t:
            self.wakes.append(self.last_end[r] + resource.setup)
            return False
        return True

    def try_start(self, pool: tuple[int, ...], head: Waiting) -> None:
        options = []
        for r in pool:
            if self.free(r, head.step):
                needed = self.minutes(head.job, head.index, r) * self.factor()
                if self.fits(self.problem.resources[r], needed, head.step.attended):
                    options.append((needed, r))
        if not options:
            return
        minutes, r = min(options)
        resource = self.problem.resources[r]
        hands = self.hands(head.step)
        helpers = self.helpers(head.step, r, min(hands, minutes))
        if helpers is None:
            return
        members = [head]
        if resource.batch:
            found = self.fill(pool, head, r, minutes, helpers)
            if found is None:
                return
            members, minutes, hands = found
        for w in members:
            queue = next(q for q in self.queues.values() if w in q)
            queue.remove(w)
        self.begin_run(members, r, minutes, helpers, hands)

    def helpers(self, step: Step, own: int, held: float | None) -> list[int] | None:
        """Return who helps; ``held`` None: windows do not matter (a run started before)."""
        used = list(self.used)
        used[own] += self.taking(own, step) if held is not None else 0.0
        chosen = []
        for need in step.needs:
            able = [
                (len(q.skills), i)
                for i, q in enumerate(self.problem.resources)
                if q.kind == need or need in q.skills
            ]
            for _, i in sorted(able):
                q = self.problem.resources[i]
                share = min(1.0, q.capacity)
                if used[i] + share <= q.capacity + EPS and (
                    held is None or self.fits(q, held, True)
                ):
                    used[i] += share
                    chosen.append(i)
                    break
            else:
                if held is not None:
                    return None
        return chosen

    def fill(
        self, pool: tuple[int, ...], head: Waiting, r: int, minutes: float, helpers: list[int]
    ) -> tuple[list[Waiting], float, float] | None:
        resource, t = self.problem.resources[r], self.env.now
        members, total = [head], head.step.size
        attended, hands, full = head.step.attended, self.hands(head.step), False
        deadline = head.joined + self.wait(head)
        others = [p for p in self.pools if r in p and p != pool]
        for queue in [self.queues[pool], *(self.queues[p] for p in others)]:
            for w in sorted(queue, key=self.rank):
                if (
                    w is head
                    or self.lot(w.step) != self.lot(head.step)
                    or w.step.needs != head.step.needs
                ):
                    continue
                if total + w.step.size > resource.capacity + EPS:
                    full = True
                    continue
                longer = max(minutes, self.minutes(w.job, w.index, r) * self.factor())
                watched = attended or w.step.attended
                more_hands = max(hands, self.hands(w.step))
                if not self.fits(resource, longer, watched) or not all(
                    self.fits(self.problem.resources[i], min(more_hands, longer), True)
                    for i in helpers
                ):
                    continue
                minutes, attended, hands = longer, watched, more_hands
                total += w.step.size
                members.append(w)
                deadline = min(deadline, w.joined + self.wait(w))
        smallest = min(
            s.size
            for job in self.problem.jobs
            for s in job.steps
            if self.lot(s) == self.lot(head.step)
        )
        if full or resource.capacity - total < smallest - EPS or deadline <= t:
            return members, minutes, hands
        closes = [
            b - (minutes if attended else 1.0) for a, b in self.windows(resource) if a <= t <= b
        ]
        deadline = min(deadline, max([t, *closes]))
        if deadline <= t or self.earliest_other(self.lot(head.step)) > deadline + 1e-6:
            return members, minutes, hands
        self.wakes.append(deadline)
        self.told_to_wait.add(self.lot(head.step))
        return None

    # -- runs and jobs ----------------------------------------------------------------
    def begin_run(
        self, members: list[Waiting], r: int, minutes: float, helpers: list[int], hands: float
    ) -> None:
        """Occupy machine and helpers at once; the rest follows as a process."""
        for w in members:
            self.start[w.job, w.index] = self.env.now
            self.place[w.job, w.index] = r
            self.running[w.job] = (self.env.now, r)
        taking = self.taking(r, members[0].step)
        self.used[r] += taking
        self.last_family[r] = members[0].step.family
        held = min(hands, minutes)
        if held > 0:
            self.hold(helpers, +1)
            if held < minutes:
                self.env.process(self.let_go(helpers, held))
        self.env.process(self.run(members, r, minutes, helpers if held >= minutes > 0 else []))

    def run(self, members: list[Waiting], r: int, minutes: float, helpers: list[int]) -> Any:
        yield self.env.timeout(minutes)
        self.hold(helpers, -1)
        self.conclude(members, r, self.taking(r, members[0].step))

    def conclude(self, members: list[Waiting], r: int, taking: float) -> None:
        head, resource, t = members[0], self.problem.resources[r], self.env.now
        self.used[r] -= taking
        if self.used[r] < EPS:
            self.used[r] = 0.0
        self.last_end[r] = t
        begun = self.start[head.job, head.index]
        self.runs.append((head.step.kind, begun, t, len(members)))
        i = self.offset[head.job] + head.index
        broken = self.draw["run_luck"][self.row[i]][i] < resource.failure
        if broken and self.row[i] + 1 < self.rows:
            self.usable_from[r] = t + resource.repair
        for w in members:
            self.end[w.job, w.index] = t
            self.running.pop(w.job, None)
            w.over.succeed(broken)
        self.call()

    def hold(self, helpers: list[int], sign: int) -> None:
        for i in helpers:
            self.used[i] += sign * min(1.0, self.problem.resources[i].capacity)
            if self.used[i] < EPS:
                self.used[i] = 0.0

    def let_go(self, helpers: list[int], held: float) -> Any:
        yield self.env.timeout(held)
        self.hold(helpers, -1)
        self.call()

    def earliest_other(self, lot: tuple[str, str | None]) -> float:
        """Return when another step of the lot may join a queue at the earliest."""
        found = math.inf
        for j, job in enumerate(self.problem.jobs):
            at = self.current[j]
            if at >= len(job.steps):
                continue
            if j in self.pending:
                moment, first = self.pending[j], at
            elif j in self.running:
                moment = max(self.env.now, self.running[j][0] + job.steps[at].minutes)
                first = at + 1
            else:
                moment, first = self.env.now, at + 1
                moment += job.steps[at].minutes
            for step in job.steps[first:]:
                if self.lot(step) == lot:
                    found = min(found, max(moment, step.not_before))
                moment += step.minutes
        return found

    def join(self, job: int, index: int) -> Waiting:
        step = self.problem.jobs[job].steps[index]
        self.pending.pop(job, None)
        waiting = Waiting(job, index, step, self.env.now, self.env.event())
        pool = tuple(i for i, _ in self.problem.eligible(step))
        self.queues[pool].append(waiting)
        self.call()
        return waiting

    def life(self, j: int, first: int, over: Any) -> Any:
        """Follow a job from its first open step; ``over`` is set if that one runs already."""
        job = self.problem.jobs[j]
        if over is None:
            yield self.at(self.release[j])
        index = first
        while index < len(job.steps):
            self.current[j] = index
            if over is None:
                joining = max(self.release[j], job.steps[index].not_before)
                if self.env.now < joining:
                    self.pending[j] = joining
                    yield self.at(joining)
                over = self.join(j, index).over
            broken = yield over
            over = None
            i = self.offset[j] + index
            step = job.steps[index]
            failed = broken or self.draw["luck"][self.row[i]][i] < step.failure
            if failed and self.row[i] + 1 < self.rows:
                back = index if step.rework is None else step.rework
                for s in range(back, index + 1):
                    self.row[self.offset[j] + s] = min(
                        self.row[self.offset[j] + s] + 1, self.rows - 1
                    )
                index = back
            else:
                index += 1
        self.finish[j] = self.env.now
        self.current[j] = index

    def begin(self) -> None:
        running: dict[Any, list[Waiting]] = {}
        for j, job in enumerate(self.problem.jobs):
            first = next((i for i, s in enumerate(job.steps) if not s.done), None)
            if first is None:
                ended = job.steps[-1].ended
                self.finish[j] = 0.0 if ended is None else ended
                self.current[j] = len(job.steps)
                continue
            self.current[j] = first
            step = job.steps[first]
            over = None
            if step.started is None:
                self.pending[j] = max(self.release[j], step.not_before)
            if step.started is not None:
                r = next(i for i, q in enumerate(self.problem.resources) if q.id == step.resource)
                waiting = Waiting(j, first, step, -math.inf, self.env.event())
                over = waiting.over
                together = self.problem.resources[r].batch
                name = (r, step.started, self.lot(step)) if together else (j, first)
                running.setdefault(name, []).append(waiting)
                self.place[j, first] = r
                self.start[j, first] = step.started
                self.running[j] = (step.started, r)
            self.env.process(self.life(j, first, over))
        for members in running.values():
            r = self.place[members[0].job, members[0].index]
            self.used[r] += self.taking(r, members[0].step)
            self.last_family[r] = members[0].step.family
        for members in running.values():
            r = self.place[members[0].job, members[0].index]
            begun = members[0].step.started
            assert begun is not None
            ends = [
                max(begun + self.minutes(w.job, w.index, r) * self.draw["factor"][0], 0.0)
                for w in members
            ]
            self.env.process(self.rest(members, r, max(ends), begun))
        self.env.process(self.openings())

    def rest(self, members: list[Waiting], r: int, end: float, begun: float) -> Any:
        head = members[0]
        until = min(begun + self.hands(head.step), end)
        helpers = self.helpers(head.step, r, None) if until > 0 else None
        if helpers is not None:
            self.hold(helpers, +1)
            if until < end:
                self.env.process(self.let_go(helpers, until))
        yield self.env.timeout(end)
        if helpers is not None and not until < end:
            self.hold(helpers, -1)
        self.conclude(members, r, self.taking(r, head.step))

    def go(self) -> None:
        """Run until nothing happens any more."""
        self.begin()
        self.env.run()

"""Improve a plan by annealing in rounds until the clock or the work runs out."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from production.planning.solve.bounds import CRITERIA
from production.planning.solve.sequences import anneal, early, moves
from production.planning.solve.sequences.openwork import OpenWork, Scratch, scratch
from production.planning.solve.sequences.start import planned
from production.planning.solve.sequences.timing import (
    AFTER,
    BLK,
    LATE,
    LEAD,
    NEAR,
    RES,
    SOFT,
    SPAN,
    STUCK,
    TARDY,
    VALUES,
    evaluate,
)

Array = np.ndarray[Any, Any]

ORDERS = {
    "promises": (STUCK, LATE, TARDY, LEAD),
    "weighted_tardiness": (STUCK, TARDY, LEAD),
    "makespan": (STUCK, SPAN, LEAD),
}
# Of all moves, in the order of ``anneal.walk``; the last two where batches or helpers are.
SHARES = np.array([0.38, 0.12, 0.12, 0.12, 0.08, 0.18, 0.05, 0.15])
CHUNK_SECONDS = 0.02
TRIES, FEWEST_TRIES = 200, 8  # to find the scale of changes
FIRST_SHARE = 0.05  # of the time left
ROUND = 1500  # trials per step and round
PASSES = 3  # until nothing can begin sooner; two mostly do
WITHOUT_END = 1 << 40
PLACES = 20  # tried for a new job in an earlier plan that finds no open time at the first
CHAINS = 2  # walks side by side, one for each core of the smallest machine
COOLER = 0.4  # heat of each walk over that of the one before
WARM = 0.2  # every other round begins from the best plan, at this part of the heat


@dataclass(frozen=True)
class Budget:
    """How long to search: until a moment of ``time.monotonic``, or for so much work.

    ``trials`` bounds the annealing and ``deterministic`` the constraint solver, where
    ``until`` is None.
    """

    until: float | None
    seconds: float = 0.0
    trials: int = 0
    deterministic: float = 0.0

    def part(self, share: float) -> Budget:
        """Return a part of the whole budget, beginning now."""
        if self.until is None:
            return Budget(None, 0.0, int(self.trials * share), self.deterministic * share)
        seconds = self.seconds * share
        return Budget(min(self.until, time.monotonic() + seconds), seconds)

    def but(self, share: float) -> Budget:
        """Return the budget with ``share`` of the whole time kept back at its end."""
        if self.until is None:
            return self
        return Budget(self.until - self.seconds * share, self.seconds * (1.0 - share))

    def split(self, count: int) -> Budget:
        """Return what each of ``count`` searches has that go on side by side."""
        return self if self.until is not None else self.part(1.0 / count)

    def rest(self, share: float) -> Budget:
        """Return all the time that is left, or ``share`` of the work."""
        if self.until is None:
            return self.part(share)
        return Budget(self.until, max(self.left(), 0.0))

    def left(self) -> float:
        """Return the seconds left (infinite when bounded by work)."""
        return np.inf if self.until is None else self.until - time.monotonic()


@dataclass
class Best:
    """The best state found and its value."""

    state: Array
    value: Array


@dataclass(frozen=True)
class Stage:
    """One way of leading the walk: weights, temperatures over the typical change."""

    weights: tuple[float, ...]  # by row of the value
    scale: tuple[float, ...]  # weights by which the typical change is measured
    hot: float
    cold: float
    share: float


def lead_weights(objective: str) -> Array:
    """Return the weights by which a search over whole plans is led."""
    w = np.zeros(VALUES)
    w[STUCK], w[LEAD] = 1e7, 1e-3 if objective == "makespan" else 1e-2
    if objective == "makespan":
        w[SPAN] = 1.0
    else:
        w[TARDY], w[LATE] = 1.0, 1e3 if objective == "promises" else 0.0
    return w


def stages(
    objective: str, value: Array, settled: int = 0, closing: bool = False
) -> tuple[Stage, ...]:
    """Return the stages of an objective, beginning at a plan of this value.

    First its main figure, then what it leaves open, strictly. Where promises break, their
    number has a stage of its own, in which a few may be given up for the others. The
    first ``settled`` criteria cannot be bettered and get no stage; where nothing is late,
    lead time is all there is to gain. Where what ends jobs closes between times
    (``closing``), a night costs the walk little at first.
    """

    def row(**given: float) -> tuple[float, ...]:
        names = {
            "late": LATE,
            "near": NEAR,
            "tardy": TARDY,
            "lead": LEAD,
            "span": SPAN,
            "soft": SOFT,
        }
        values = [0.0] * VALUES
        values[STUCK] = 1e7
        for name, weight in given.items():
            values[names[name]] = weight
        return tuple(values)

    if objective == "makespan":
        span = row(span=1.0)
        return (Stage(span, span, 0.5, 0.01, 1.0),)
    tardy, lead = row(tardy=1.0), row(lead=1.0)
    if objective == "weighted_tardiness":
        strict = row(tardy=30.0, lead=1.0)
        if settled:
            return (Stage(strict, lead, 0.3, 0.003, 1.0),)
        last = Stage(strict, lead, 0.3, 0.003, 0.1)
        if closing:
            soft = row(soft=1.0)
            first = Stage(soft, soft, 0.3, 0.003, 0.6)
            return (first, Stage(tardy, tardy, 0.01, 0.003, 0.3), last)
        return (Stage(tardy, tardy, 0.3, 0.003, 0.9), last)
    strict = row(late=1e5, tardy=30.0, lead=1.0)
    if settled > 1 or (value[STUCK] == 0 and value[LATE] == 0):
        return (Stage(strict, lead, 0.3, 0.003, 1.0),)
    few = row(late=1e6, tardy=1.0)
    if settled == 1:
        return (Stage(few, tardy, 0.3, 0.003, 0.6), Stage(strict, lead, 0.3, 0.003, 0.4))
    loose, count = row(tardy=1.0, late=100.0), row(near=100.0, tardy=0.01)
    return (
        Stage(loose, loose, 0.3, 0.003, 0.25),
        Stage(count, count, 0.3, 0.003, 0.3),
        Stage(few, tardy, 0.3, 0.003, 0.25),
        Stage(strict, lead, 0.3, 0.003, 0.2),
    )


class _Chain:
    """One walk of the annealing, in a thread of its own, with its own chance."""

    def __init__(self, search: Search, best: Best, number: int) -> None:
        self.search = search
        self.best = Best(best.state.copy(), best.value.copy())
        self.state, self.room = best.state.copy(), best.state.copy()
        if number == 0:
            self.state[AFTER] = -1  # where nobody waits for another's helper, all can be changed
        self.now, self.trial, self.seed = search.memory[number]
        self.cooler = COOLER**number

    def walk(self, weights: Array, heat: float, trials: int) -> None:
        """Make so many trials."""
        anneal.walk(
            self.search.work.arrays, self.state, self.best.state, self.best.value, self.now,
            self.trial, self.room, weights, self.search.order, self.search.kinds,
            heat * self.cooler, trials, self.seed,
        )  # fmt: skip


class Search:
    """Annealing from a given state, in rounds, by two walks side by side.

    ``forward``: seconds that bringing steps forward may take each time.
    """

    def __init__(self, work: OpenWork, objective: str, seed: int, forward: float = np.inf) -> None:
        self.forward = forward
        self.work = work
        self.objective = objective
        self.order = np.array(ORDERS[objective], np.int64)
        a = work.arrays
        shares = SHARES * np.r_[np.ones(6), np.any(a.batch == 1), a.helped]
        self.kinds = np.cumsum(shares) / shares.sum()
        self.memory = [
            (scratch(work.arrays), scratch(work.arrays), anneal.generator(seed + 7919 * k))
            for k in range(CHAINS)
        ]
        self.now: Scratch
        self.now, self.trial, self.seed = self.memory[0]

    def value(self, state: Array) -> Array | None:
        """Return the value of a state, None if its order is circular."""
        if not evaluate(self.work.arrays, state, self.now):
            return None
        return self.now.value.copy()

    def better(self, value: Array, than: Array) -> bool:
        """Whether a value comes first in the objective's exact order."""
        return bool(anneal.better(value, than, self.order))

    def offer(self, best: Best, *states: Array) -> None:
        """Take a state as the best if it is."""
        for state in states:
            value = self.value(state)
            if value is not None and self.better(value, best.value):
                best.state[:] = state
                best.value[:] = value

    def keep(self, steps: Sequence[Mapping[str, Any]], budget: Budget) -> Best | None:
        """Return the order of an earlier plan, what is new put in one job after another.

        None where that order does not hold any more. What the budget leaves no time for
        comes last.
        """
        a = self.work.arrays
        states, fresh = planned(self.work, steps)
        state = next((s for s in states if self.value(s) is not None), None)
        if state is None:
            return None
        best = Best(state, self.now.value.copy())
        for j in sorted(fresh, key=lambda j: a.job_due[j]):
            first = a.job_last[j]
            while a.step_prev[first] >= 0:
                first = a.step_prev[first]
            for number in range(PLACES):
                if budget.left() <= 0 or (number > 0 and best.value[STUCK] == 0):
                    break
                self.value(best.state)
                trial = best.state.copy()
                if moves.reinsert(a, trial, self.now, j, first, 0.0, -1, 0.0, self.seed):
                    self.offer(best, trial)
        self.bring_forward(best)
        return best if best.value[STUCK] == 0 else None

    def gains(self, value: Array, kept: Array, minutes: float) -> bool:
        """Whether a value is so much better that the order may change for it.

        Fewer promises broken, or the objective's minutes less by more than ``minutes``.
        """
        for criterion in CRITERIA[self.objective][:2]:
            needed = 0.5 if criterion == LATE else minutes
            if abs(value[criterion] - kept[criterion]) > needed:
                return bool(value[criterion] < kept[criterion])
        return False

    def loosen(self, state: Array, budget: Budget) -> None:
        """Let no step of a state wait for another's helper where that gains nothing.

        The fewer wait, the more can be changed without a circle.
        """
        waiting = np.flatnonzero(state[AFTER] >= 0)
        value = self.value(state)
        for o in waiting[: self.affordable(state, budget, len(waiting))]:
            kept = state[AFTER, o]
            state[AFTER, o] = -1
            freed = self.value(state)
            if value is None or freed is None or self.better(value, freed):
                state[AFTER, o] = kept
            else:
                value = freed

    def bring_forward(self, best: Best) -> None:
        """Let everything in the best plan begin as soon as it can at nobody's cost."""
        most = self._trials_in(best.state, self.forward / PASSES)
        for _ in range(PASSES):
            room, a = best.state.copy(), self.work.arrays
            if early.bring_forward(a, best.state, self.now, self.trial, room, most) == 0:
                break
        value = self.value(best.state)
        assert value is not None
        best.value[:] = value

    def affordable(self, state: Array, budget: Budget, wanted: int) -> int:
        """Return how many trials a twentieth of the time left allows, ``wanted`` at most."""
        if budget.until is None:
            return wanted
        return min(self._trials_in(state, max(budget.left(), 0.0) * FIRST_SHARE), wanted)

    def _trials_in(self, state: Array, seconds: float) -> int:
        """Return how many trials go into so much time, by one of them."""
        if seconds == np.inf:
            return WITHOUT_END
        began = time.perf_counter()
        self.value(state)
        return int(seconds / max(time.perf_counter() - began, 1e-7))

    def typical(self, state: Array, w: Array, tries: int) -> float:
        """Return the median worsening of random moves, a scale for temperatures."""
        return float(
            anneal.typical_change(
                self.work.arrays,
                state,
                self.now,
                self.trial,
                state.copy(),
                w,
                self.kinds,
                tries,
                self.seed,
            )
        )

    def anneal(
        self, best: Best, stage: Stage, budget: Budget, done: Callable[[Array], bool]
    ) -> None:
        """Anneal from the best plan, in one round or several; ``best`` is updated."""
        tries = self.affordable(best.state, budget, TRIES)
        if tries < FEWEST_TRIES:
            return
        w = np.array(stage.weights)
        unit = self.typical(best.state, np.array(stage.scale), tries)
        if unit == 0.0:
            unit = 1.0
        hot, cold = stage.hot * unit, stage.cold * unit
        budget = budget.split(CHAINS)
        chains = [_Chain(self, best, k) for k in range(CHAINS)]
        peak, began, made, chunk, rounds, at = cold, time.monotonic(), 0, tries, 1, 0.0
        with ThreadPoolExecutor(CHAINS) as threads:
            while at < 1.0 and not done(best.value):
                number, here = divmod(at * rounds, 1.0)
                top = max(peak if number % 2 == 0 else hot * WARM, cold)
                heat = top * (cold / top) ** here
                count = chunk if budget.until is not None else min(chunk, budget.trials - made)
                walks = [threads.submit(chain.walk, w, heat, count) for chain in chains]
                for walk in walks:
                    walk.result()
                self._share(best, chains)
                made += count
                if budget.until is None:
                    chunk, total = 2000, budget.trials
                    at, before = (made / total if total > 0 else 1.0), at
                else:
                    spent = time.monotonic() - began
                    speed = made / max(spent, 1e-6)
                    chunk = int(min(max(speed * CHUNK_SECONDS, 1), 1e6))
                    span = budget.until - began
                    total = int(speed * span)
                    at, before = (spent / span if span > 0 else 1.0), at
                if before == 0.0:
                    peak = hot * min(1.0, max(total / (ROUND * len(self.work.steps)), 0.02))
                    rounds = max(round(total / (ROUND * len(self.work.steps))), 1)
                if int(at * rounds) > int(before * rounds) and int(at * rounds) % 2 == 1:
                    for chain in chains:
                        chain.state[:] = best.state

    def _share(self, best: Best, chains: list[_Chain]) -> None:
        """Let all chains know the best plan that any of them found."""
        for chain in chains:
            if self.better(chain.best.value, best.value):
                best.state[:] = chain.best.state
                best.value[:] = chain.best.value
        for chain in chains:
            chain.best.state[:] = best.state
            chain.best.value[:] = best.value

    def stuck_jobs(self, state: Array) -> list[int]:
        """Return the jobs with a step that found no open time in this state.

        Where it is not the machine's calendar that leaves no time (a helper's, say), the job
        that ends last is named, so that there is always one to be taken out.
        """
        a = self.work.arrays
        if not evaluate(a, state, self.now):
            return []
        n = len(a.step_job)
        home = state[RES, state[BLK, :n]]
        stuck = np.zeros(n, bool)
        for r in range(len(a.batch)):
            here = np.flatnonzero(home == r)
            start, end = self.now.start[here, None], self.now.end[here, None]
            since, until = a.window[a.window_from[r] : a.window_from[r + 1]].T
            down, up = a.down[a.down_from[r] : a.down_from[r + 1]].T
            attended = a.step_attended[here, None] == 1
            inside = np.where(attended, until >= end - 1e-9, until > start)
            fits = np.any((since <= start) & inside, axis=1)
            stuck[here] = ~fits | np.any((down < end) & (up > start), axis=1)
        found = list(dict.fromkeys(a.step_job[stuck].tolist()))
        return found or [int(a.step_job[int(np.argmax(self.now.end))])]

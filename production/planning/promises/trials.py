"""Due times for new work, tried out: the futures of the bench with that work on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from production.planning.entities import Job, Problem
from production.planning.kernel.future import Floats, Policy
from production.planning.kernel.queues import FIXED
from production.planning.kernel.shop import Shop, make_shop
from production.planning.policy import Rule, kernel_policy, standing_rule
from production.planning.promises.foresight import quantile
from production.planning.promises.risk import Flags, allowed_risk, pushed_past, standard_error
from production.planning.sampling import run_futures
from production.planning.score import LATE, handed_over

__all__ = ["Trial", "Trials"]

STEPS = 8  # trials of one search for a fixed point
CLEARLY, LIKELY = 2.5, 1.25  # standard errors
GROWTH = 2  # of the futures looked at before an answer is given up or believed


@dataclass(frozen=True)
class Trial:
    """What a due time would do. ``ready``: kept with the confidence from then on."""

    due: float
    ready: float
    p_kept: float
    before: Floats  # (2J,) p_late of the existing jobs, then of their hand-overs
    after: Floats
    past: tuple[int, ...]  # existing jobs pushed past the limit
    hopeless: bool  # pushed so far that more futures would not change it
    doubtful: bool  # fails by so much that more futures are not likely to change it

    @property
    def good(self) -> bool:
        """Whether it can be promised."""
        return self.ready <= self.due + LATE and not self.past


class Trials:
    """The bench with the new work, and what due times for it would do."""

    def __init__(
        self,
        problem: Problem,
        new: tuple[Job, ...],
        confidence: float,
        samples: int,
        seed: int,
        rule: Rule | None,
    ) -> None:
        self.problem = problem
        self.confidence = confidence
        self.samples = samples
        self.seed = seed
        self.count = len(problem.jobs)
        self.shop = make_shop(problem)
        self.rule = standing_rule(problem) if rule is None else rule
        self.joint = replace(problem, jobs=problem.jobs + new)
        self.joint_shop = self.free = make_shop(self.joint)
        self.held_from = 0.0
        self.ready = -math.inf  # the first due time at which the new work was ready
        self.seen: dict[tuple[bytes, float], Floats] = {}
        self.risks: dict[int, Flags] = {}  # of the bench as it is, by number of futures
        self.new = np.arange(self.count, self.count + len(new))

    def grown(self, due: float, few: int, samples: int) -> Trial:
        """Simulate a due time in ever more futures, as long as it may pass."""
        while True:
            count = min(few, samples)
            trial = self.trial(due, count)
            if count == samples or trial.doubtful:
                return trial
            few *= GROWTH

    def trial(self, due: float, samples: int) -> Trial:
        """Simulate the bench with the new work promised for ``due``."""
        shop = self.promised(due)
        policy = kernel_policy(self.joint, shop, self.rule)
        finish = self.finish(shop, policy, samples)
        over = handed_over(shop, finish)
        new = over[:, self.new].max(axis=1)
        old = shop.due[: self.count]
        late_before = self._before(samples)
        late_after = np.concatenate([finish[:, : self.count], over[:, : self.count]], axis=1)
        late_after = late_after > np.concatenate([old, old]) + LATE
        before, after = late_before.mean(axis=0), late_after.mean(axis=0)
        limit = self.problem.risk_limit
        allowed = allowed_risk(before, limit)
        pushed = pushed_past(late_before, late_after, limit)
        beyond = np.where(pushed, (after - allowed) / standard_error(after, samples), 0.0).max(
            initial=0.0
        )
        p_kept = float((new <= due + LATE).mean())
        past = np.flatnonzero(pushed[: self.count] | pushed[self.count :])
        return Trial(
            due=due,
            ready=self._ready(new),
            p_kept=p_kept,
            before=before,
            after=after,
            past=tuple(past.tolist()),
            hopeless=bool(beyond > CLEARLY),
            doubtful=bool(
                beyond > LIKELY
                or p_kept + LIKELY * standard_error(np.array(p_kept), samples) < self.confidence
            ),
        )

    def _ready(self, finish: Floats) -> float:
        """Return when the new work is ready with the confidence.

        The last word, on all futures, is by one standard error surer, so that the promise is
        as good in other futures too.
        """
        if len(finish) == self.samples:
            error = float(standard_error(np.array(self.confidence), self.samples))
            surer = quantile(finish, min(self.confidence + error, 1.0))
            if math.isfinite(surer):
                return surer
        return quantile(finish, self.confidence)

    def promised(self, due: float) -> Shop:
        """Return the bench with the new work promised for ``due``."""
        dues = self.joint_shop.due.copy()
        dues[self.new] = due
        group = self.joint_shop.group
        promise = np.full(int(group.max()) + 1, math.inf)
        np.minimum.at(promise, group, dues)
        return self.joint_shop._replace(due=dues, promise=promise[group])

    def _before(self, samples: int) -> Flags:
        """Return (S, 2J) what is late on the bench as it is, in the same futures."""
        if samples not in self.risks:
            policy = kernel_policy(self.problem, self.shop, self.rule)
            base = self._futures((b"", 0.0), self.problem, self.shop, policy, samples)
            due = self.shop.due
            both = np.concatenate([base, handed_over(self.shop, base)], axis=1)
            self.risks[samples] = both > np.concatenate([due, due]) + LATE
        return self.risks[samples]

    def finish(self, shop: Shop, policy: Policy, samples: int) -> Floats:
        """Return the finishes with the new work on the bench.

        Of keys that do not change with time the bench looks at the order alone: two due
        times with no other promise between them have the same futures.
        """
        if policy.moving == FIXED:
            order = np.unique(policy.key, return_inverse=True)[1].tobytes()
        else:
            order = shop.promise.tobytes()
        return self._futures((order, self.held_from), self.joint, shop, policy, samples)

    def _futures(
        self, place: tuple[bytes, float], problem: Problem, shop: Shop, policy: Policy, samples: int
    ) -> Floats:
        """Return so many finishes; only those not seen at this place yet are run."""
        seen = self.seen.get(place, np.empty((0, len(problem.jobs))))
        if len(seen) < samples:
            more = samples - len(seen)
            new = run_futures(problem, shop, policy, more, self.seed, first=len(seen))
            seen = self.seen[place] = np.concatenate([seen, new])
        return seen[:samples]

    def settable(self, due: float) -> float | None:
        """Return the first time from ``due`` on at which a promise can be set."""
        if not math.isfinite(due):
            return None
        grid, clock = self.problem.grid, self.problem.clock
        windows = self.problem.pickup
        for start, stop in ((-math.inf, math.inf),) if windows is None else windows:
            begin = max(due, start)
            mark = math.ceil((begin + clock) / grid - 1e-9) * grid - clock
            if mark <= stop:
                return mark
        return None

    def settle(self, due: float | None, samples: int) -> Trial | None:
        """Move the due time up until the new work is ready by it."""
        trial = None
        for _ in range(STEPS):
            if due is None:
                return None
            trial = self.grown(due, max(samples // GROWTH, 1), samples)
            if trial.ready <= due + LATE:
                return trial
            due = self.settable(trial.ready)
        return trial

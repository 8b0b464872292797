"""The earliest time that can be promised for new work, and what it does to other promises."""

from __future__ import annotations

import math
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from production.planning.entities import Job, Problem
from production.planning.errors import ProblemError
from production.planning.foresight import quantile
from production.planning.future import Floats, Policy
from production.planning.newwork import first_steps, new_jobs
from production.planning.policy import Rule, kernel_policy, standing_rule
from production.planning.queues import FIXED
from production.planning.risk import Flags, allowed_risk, pushed_past, standard_error
from production.planning.sampling import run_futures
from production.planning.score import LATE, handed_over
from production.planning.shop import Shop, make_shop

__all__ = ["quote"]

SAMPLES = 600
COARSE = 75  # doubled thrice: all
STEPS = 8  # trials of one search for a fixed point
FINAL_TRIALS = 6
OTHERS = 3  # of these, in which it pushes others
AFTER = 1e-3  # minutes: just behind another promise
NOTICEABLE = 0.0005
LESS_SURE = (0.8, 0.5)  # of times offered where none is sure enough
USEFUL = 0.4  # a time kept more seldom is no offer
OTHER_TIMES = (-30.0, 60.0)
BEHIND_ROUNDS = 3
HOLDS = (30.0, 90.0)  # minutes
CLEARLY, LIKELY = 2.5, 1.25  # standard errors
GROWTH = 2  # of the futures looked at before an answer is given up or believed


def quote(
    problem: Problem,
    job: Mapping[str, Any] | Job | Sequence[Mapping[str, Any] | Job],
    confidence: float = 0.95,
    *,
    samples: int = SAMPLES,
    seed: int = 0,
    rule: Rule | None = None,
    may_hold: bool = True,
    never_held: Collection[str] = (),
) -> dict[str, Any]:
    """Find the earliest due time for new work that the bench can keep.

    Parameters
    ----------
    problem : Problem
        What is on the bench, with the promises already made. ``risk_limit`` is the
        probability of a broken promise that the office accepts for those.
    job : dict, Job, or a list of them
        The new job; several are promised together. A due time in it is ignored.
    confidence : float
        Probability with which the new promise must be kept, between 0 and 1.
    samples, seed : int
        Futures simulated for the answer; the same seed gives the same answer.
    rule : Rule, optional
        The dispatch rule; default: the problem's own, else the standing one.
    may_hold : bool
        Whether the answer may rest on ``hold_until``; False where nobody would keep to it.
    never_held : collection of str
        Kinds of steps that are not left alone, such as those for which a patient has come.

    Returns
    -------
    dict
        QUOTE of the outer contract. A promise past the limit already may not lose more
        than 0.05. ``earliest`` is null when nothing can be promised, with ``reason``; when it
        would be ready but push others (``pushed``), ``delayed`` and ``alternatives`` tell more.
        Besides: ``hold_until`` when no promise is pushed only if the new work is left
        alone until then, and ``held`` [{"id", "index"}], the steps whose ``not_before``
        (of a first step: the job's release) must be set to it, or the quote does not hold;
        ``alternatives`` [{"due", "p_kept", "past_limit": [ids]}], other times and the
        promises that each would push past the limit; ``policy``, the rule for which all
        this is said (named in the problem, plans and foresights keep to it);
        ``confidence``, ``samples``, ``seconds``.

    Raises
    ------
    ProblemError
        When a job or the confidence is malformed, or the job is on the bench already.
    """
    began = time.perf_counter()
    if not 0.0 < confidence < 1.0:
        raise ProblemError(f"confidence is {confidence}; give a probability between 0 and 1")
    if samples < 1:
        raise ProblemError(f"samples is {samples}; give a number of at least 1")
    new = new_jobs(problem, job)
    desk = _Desk(problem, new, confidence, samples, seed, rule)
    answer = desk.answer(first_steps(new, never_held) if may_hold else ())
    answer["policy"] = desk.rule.as_json()
    answer["confidence"] = confidence
    answer["samples"] = samples
    answer["seconds"] = time.perf_counter() - began
    return answer


@dataclass(frozen=True)
class _Trial:
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
        return self.ready <= self.due + LATE and not self.past


class _Desk:
    """One request: the bench with the new work, and trials of due times for it."""

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

    def answer(self, held: Sequence[tuple[int, int]]) -> dict[str, Any]:
        """Search for the earliest time; say it, or why there is none.

        ``held``: (new job, step) of what may be left alone for a while; empty: nothing may.
        """
        never = replace(self.joint, jobs=self.joint.jobs[self.count :]).impossible()
        if never:
            return self._none(never[min(never)])
        found = self._find(held)
        return self._told(found, held) if isinstance(found, _Trial) else found

    def _find(self, held: Sequence[tuple[int, int]]) -> _Trial | dict[str, Any]:
        """Return a good trial of all futures, or a refusal."""
        self.joint_shop, self.held_from, self.ready = self.free, 0.0, -math.inf
        coarse = min(COARSE, self.samples)
        first = self.trial(-math.inf, coarse)
        if not math.isfinite(first.ready):
            return self._none(
                "no open time left in which it would be ready with "
                f"{100 * self.confidence:.0f} % confidence",
                self._less_sure(coarse),
            )
        trial = self._best(first.ready, coarse, tries=1 if held else OTHERS)
        if trial is not None and trial.past and held:
            found = self._held_back(held, coarse)
            trial = found or (trial if trial.hopeless else self._best(first.ready, coarse, OTHERS))
        if trial is None and self.settable(first.ready) is None:
            return self._none("no time for setting a promise is left; add pickup hours")
        if trial is None:
            return self._none(self._refusal(trial), self._less_sure(coarse))
        if not trial.good:
            return self._refused(trial, first.ready, coarse)
        return trial

    def _told(self, trial: _Trial, held: Sequence[tuple[int, int]]) -> dict[str, Any]:
        answer = {
            "earliest": trial.due,
            "p_kept": trial.p_kept,
            "delayed": self._delayed(trial),
            "alternatives": self._alternatives(trial.due, min(COARSE, self.samples)),
        }
        if self.held_from > 0:
            answer["hold_until"] = self.held_from
            names = [self.joint.jobs[self.count + number].id for number, _ in held]
            answer["held"] = [
                {"id": name, "index": index} for name, (_, index) in zip(names, held, strict=True)
            ]
        return answer

    def _best(self, soonest: float, coarse: int, tries: int) -> _Trial | None:
        """Search on a few futures, then settle the answer on all of them.

        Where the new work is ready but pushes others, standing behind them too seldom
        helps: that is given up after so many tries.
        """
        trial = self._search(soonest, coarse)
        if trial is None or trial.hopeless:
            return trial
        due = trial.due
        for _ in range(FINAL_TRIALS):
            trial = self._grown(due, coarse, self.samples)
            tries -= trial.ready <= due + LATE
            if trial.good:
                return self._sooner(trial)
            if not tries:
                break
            step = trial.ready if trial.ready > due + LATE else self._behind(trial)
            later = self.settable(max(step, due + self.problem.grid)) if step > due else None
            if later is None:
                break
            due = later
        return trial

    def _sooner(self, trial: _Trial) -> _Trial:
        """Move a good due time up to where the new work is ready: few futures said later."""
        for _ in range(STEPS):
            due = self.settable(trial.ready)
            if due is None or due >= trial.due:
                break
            earlier = self.trial(due, self.samples)
            if not earlier.good:
                break
            trial = earlier
        return trial

    def _held_back(self, held: Sequence[tuple[int, int]], coarse: int) -> _Trial | None:
        """Try again with the new work left alone for a while: it blocks what is urgent.

        The longer it is left alone, the later it is ready: each search begins where the
        one before ended.
        """
        free = self.free
        steps = [int(free.job_first[self.count + number]) + index for number, index in held]
        later = [m for m in free.wake.tolist() if m > HOLDS[-1]]
        for moment in (*HOLDS, *later[:1]):
            not_before = free.not_before.copy()
            not_before[steps] = np.maximum(not_before[steps], moment)
            self.joint_shop, self.held_from = free._replace(not_before=not_before), moment
            trial = self._settle(self.settable(self.ready), coarse)
            if trial is None:
                break  # too late to be ready at all
            self.ready = trial.due
            if trial.past:
                continue
            trial = self._best(trial.due, coarse, tries=1)
            if trial is not None and trial.good:
                return trial
        self.joint_shop, self.held_from = free, 0.0
        return None

    def _grown(self, due: float, few: int, samples: int) -> _Trial:
        """Simulate a due time in ever more futures, as long as it may pass."""
        while True:
            count = min(few, samples)
            trial = self.trial(due, count)
            if count == samples or trial.doubtful:
                return trial
            few *= GROWTH

    def trial(self, due: float, samples: int) -> _Trial:
        """Simulate the bench with the new work promised for ``due``."""
        shop = self._promised(due)
        policy = kernel_policy(self.joint, shop, self.rule)
        finish = self._finish(shop, policy, samples)
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
        return _Trial(
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

    def _promised(self, due: float) -> Shop:
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

    def _finish(self, shop: Shop, policy: Policy, samples: int) -> Floats:
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

    def _search(self, soonest: float, samples: int) -> _Trial | None:
        """Return the earliest due time found that looks good on a few futures."""
        trial = self._settle(self.settable(soonest), samples)
        if trial is not None:
            self.ready = trial.due
        if trial is None or trial.good:
            return trial
        # The new work stands before promises that it would break: find, by halving, how
        # many of them to stand behind so that none is pushed past the limit.
        for _ in range(BEHIND_ROUNDS):
            harmed = self.shop.due[list(trial.past)]
            places = np.unique(harmed[harmed >= trial.due])
            if not places.size:
                break  # an earlier promise: standing behind it does not help
            low, high = 0, len(places) - 1
            while low < high:
                middle = (low + high) // 2
                if self.trial(float(places[middle]) + AFTER, max(samples // 2, 1)).past:
                    low = middle + 1
                else:
                    high = middle
            behind = self._settle(self.settable(float(places[low]) + AFTER), samples)
            if behind is None:
                break  # too late to be ready at all
            trial = behind
            if trial.good:
                break
        return trial

    def _settle(self, due: float | None, samples: int) -> _Trial | None:
        """Move the due time up until the new work is ready by it."""
        trial = None
        for _ in range(STEPS):
            if due is None:
                return None
            trial = self._grown(due, max(samples // GROWTH, 1), samples)
            if trial.ready <= due + LATE:
                return trial
            due = self.settable(trial.ready)
        return trial

    def _behind(self, trial: _Trial) -> float:
        """Return a time just behind the next of the promises it breaks, -inf if all are before."""
        harmed = self.shop.due[list(trial.past)]
        later = harmed[harmed >= trial.due]
        return float(later.min()) + AFTER if later.size else -math.inf

    def _delayed(self, trial: _Trial) -> list[dict[str, Any]]:
        return [
            {
                "id": job.id,
                "p_late_before": float(trial.before[j]),
                "p_late_after": float(trial.after[j]),
            }
            for j, job in enumerate(self.problem.jobs)
            if trial.after[j] > trial.before[j] + NOTICEABLE
        ]

    def _alternatives(
        self, due: float, samples: int, *, itself: bool = False
    ) -> list[dict[str, Any]]:
        """Return what earlier and later times would cost, and ``due`` too if asked."""
        wanted = [due] if itself else []
        wanted += [due + shift for shift in OTHER_TIMES if due + shift > 0]
        opening = [m for m in self.joint_shop.wake.tolist() if m > due + max(OTHER_TIMES)]
        wanted += opening[:1]
        found = []  # type: ignore[var-annotated]
        for moment in wanted:
            other = self.settable(moment)
            if other is None or (other == due and not itself):
                continue
            if other in [item["due"] for item in found]:
                continue
            found.append(self._other(other, samples))
        return found

    def _other(self, due: float, samples: int) -> dict[str, Any]:
        """Return what a time would cost."""
        trial = self.trial(due, samples)
        past = [self.problem.jobs[j].id for j in trial.past]
        return {"due": due, "p_kept": trial.p_kept, "past_limit": past}

    def _refused(self, trial: _Trial, ready: float, samples: int) -> dict[str, Any]:
        """Say why not, and what promising it all the same would do to the others."""
        answer = self._none(self._refusal(trial))
        answer["pushed"] = [self.problem.jobs[j].id for j in trial.past]
        self.joint_shop, self.held_from = self.free, 0.0
        kept = self._settle(self.settable(ready), samples)
        if kept is not None:
            answer["delayed"] = self._delayed(self.trial(kept.due, self.samples))
            others = self._alternatives(kept.due, samples, itself=True)
            sure = [other for other in others if other["p_kept"] >= self.confidence]
            answer["alternatives"] = sure or others
        if not answer["alternatives"]:
            answer["alternatives"] = self._less_sure(samples)
        return answer

    def _less_sure(self, samples: int) -> list[dict[str, Any]]:
        """Return times at which it would be ready with less confidence, were it done first."""
        shop = self._promised(-math.inf)
        finish = self._finish(shop, kernel_policy(self.joint, shop, self.rule), samples)
        new = handed_over(shop, finish)[:, self.new].max(axis=1)
        times = [
            self.settable(quantile(new, level)) for level in LESS_SURE if level < self.confidence
        ]
        found = [self._other(due, samples) for due in dict.fromkeys(times) if due is not None]
        return [other for other in found if other["p_kept"] >= USEFUL]

    def _refusal(self, trial: _Trial | None) -> str:
        group = self.joint_shop.group
        if trial is not None and np.isin(group[list(trial.past)], group[self.new]).any():
            return (
                "it is handed over together with work that is promised already, and is not "
                "ready by then; ask for one time for all of it"
            )
        if trial is not None and trial.past:
            names = ", ".join(repr(self.problem.jobs[j].id) for j in trial.past[:3])
            return f"any time would push a promise already made past the risk limit: {names}"
        return f"no time found at which it is ready with {100 * self.confidence:.0f} % confidence"

    def _none(self, reason: str, others: Sequence[dict[str, Any]] = ()) -> dict[str, Any]:
        nothing: dict[str, Any] = {"earliest": None, "p_kept": None, "delayed": []}
        return nothing | {"alternatives": list(others), "reason": reason}

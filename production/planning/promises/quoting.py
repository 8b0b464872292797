"""The earliest time that can be promised for new work, and what it does to other promises."""

from __future__ import annotations

import math
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from production.planning.entities import Job, Problem
from production.planning.errors import ProblemError
from production.planning.policy import Rule, kernel_policy
from production.planning.promises.foresight import quantile
from production.planning.promises.newwork import first_steps, new_jobs
from production.planning.promises.trials import STEPS, Trial, Trials
from production.planning.reasons import Reason
from production.planning.score import LATE, handed_over

__all__ = ["quote"]

SAMPLES = 600
COARSE = 75  # doubled thrice: all
FINAL_TRIALS = 6
OTHERS = 3  # of these, in which it pushes others
AFTER = 1e-3  # minutes: just behind another promise
NOTICEABLE = 0.0005
LESS_SURE = (0.8, 0.5)  # of times offered where none is sure enough
USEFUL = 0.4  # a time kept more seldom is no offer
OTHER_TIMES = (-30.0, 60.0)
BEHIND_ROUNDS = 3
HOLDS = (30.0, 90.0)  # minutes


def quote(
    problem: Problem,
    job: Mapping[str, Any] | Job | Sequence[Mapping[str, Any] | Job],
    confidence: float = 0.95,
    *,
    samples: int = SAMPLES,
    seed: int = 0,
    rule: Rule | None = None,
    may_hold: bool = False,
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
        Whether ``earliest`` itself may rest on the new work being left alone for a while.
        True only where somebody keeps to it.
    never_held : collection of str
        Kinds of steps that are not left alone, such as those for which a patient has come.

    Returns
    -------
    dict
        QUOTE of the outer contract. A promise past the limit already may not lose more
        than 0.05. ``earliest`` is null when nothing can be promised, with ``reason`` (and
        ``cause`` as in ``reasons.py`` where the new work can never be made); when it
        would be ready but push others (``pushed``), ``delayed`` and ``alternatives`` tell more.
        Besides: ``alternatives`` [{"due", "p_kept", "past_limit": [ids]}], other times and the
        promises that each would push past the limit. One with ``hold_until`` and ``held``
        [{"id", "index"}] pushes nobody only if the new work is left alone until then: the
        ``not_before`` of these steps (of a first step: the job's release) must be set to it.
        With ``may_hold`` the answer itself may have them. ``policy``, the rule for which all
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
    answer = desk.answer(first_steps(new, never_held), may_hold)
    answer["policy"] = desk.rule.as_json()
    answer["confidence"] = confidence
    answer["samples"] = samples
    answer["seconds"] = time.perf_counter() - began
    return answer


_Held = Sequence[tuple[int, int]]


class _Desk(Trials):
    """One request: the search for a time, and its answer."""

    crowded = False  # whether the new work pushes others as soon as it is ready

    def answer(self, held: _Held, may_hold: bool) -> dict[str, Any]:
        """Search for the earliest time; say it, or why there is none.

        ``held``: (new job, step) of what may be left alone for a while; without ``may_hold``
        that is told as another time only.
        """
        never = replace(self.joint, jobs=self.joint.jobs[self.count :]).impossible()
        if never:
            return self._none(never[min(never)])
        coarse = min(COARSE, self.samples)
        found = self._find(held if may_hold else (), coarse)
        if isinstance(found, Trial):
            found = self._not_later(found, coarse)
        answer = self._told(found, held) if isinstance(found, Trial) else found
        if self.crowded and held and not may_hold:
            soonest = found.due if isinstance(found, Trial) else math.inf
            self._tell_held(answer, held, coarse, soonest)
        return answer

    def _find(self, held: _Held, coarse: int) -> Trial | dict[str, Any]:
        """Return a good trial of all futures, or a refusal."""
        first = self.trial(-math.inf, coarse)
        if not math.isfinite(first.ready):
            return self._none(
                "no open time left in which it would be ready with "
                f"{100 * self.confidence:.0f} % confidence",
                self._less_sure(coarse),
            )
        trial = self._best(first.ready, coarse, tries=1 if held else OTHERS)
        self.crowded |= trial is not None and bool(trial.past)
        if trial is not None and trial.past and held:
            found = self._held_back(held, coarse)
            trial = found or (trial if trial.hopeless else self._best(first.ready, coarse, OTHERS))
        if trial is not None and trial.past:
            trial = self._behind_all(coarse) or trial
        if trial is None and self.settable(first.ready) is None:
            return self._none("no time for setting a promise is left; add pickup hours")
        if trial is None:
            return self._none(self._refusal(trial), self._less_sure(coarse))
        if trial.good:
            return trial
        kept = self.settle(self.settable(first.ready), self.samples)
        if kept is None:
            return self._none(self._refusal(trial), self._less_sure(coarse))
        kept = self.trial(kept.due, self.samples)
        return kept if kept.good else self._refused(trial if trial.past else kept, kept)

    def _told(self, trial: Trial, held: _Held) -> dict[str, Any]:
        answer = {
            "earliest": trial.due,
            "p_kept": trial.p_kept,
            "delayed": self._delayed(trial),
            "alternatives": self._alternatives(trial.due),
        }
        return answer | self._hold_told(held)

    def _hold_told(self, held: _Held) -> dict[str, Any]:
        """Return what has to be left alone, and until when; nothing where nothing has."""
        if not self.held_from:
            return {}
        steps = [{"id": self.joint.jobs[self.count + n].id, "index": i} for n, i in held]
        return {"hold_until": self.held_from, "held": steps}

    def _tell_held(self, answer: dict[str, Any], held: _Held, coarse: int, before: float) -> None:
        """Add the time that could be promised, were the new work left alone for a while."""
        trial = self._held_back(held, coarse, before)
        if trial is None:
            return
        told = {"due": trial.due, "p_kept": trial.p_kept, "past_limit": []}
        answer["alternatives"].insert(0, told | self._hold_told(held))
        if "reason" in answer:
            answer["reason"] += f"; not if it is left alone for {self.held_from:.0f} min"

    def _behind_all(self, coarse: int) -> Trial | None:
        """Return a good trial behind promises that need not be the ones it breaks.

        New work that is begun early may break a promise that is due before it.
        """
        due = self.shop.due
        places = np.unique(due[np.isfinite(due) & (due >= self.ready)]) + AFTER
        last = self.settle(self.settable(float(places[-1])), coarse) if places.size else None
        if last is None or last.past:
            return None
        low = 0
        for futures in (self.samples // 2, self.samples):
            high = len(places) - 1
            while low < high:
                middle = (low + high) // 2
                if self.grown(float(places[middle]), coarse, futures).past:
                    low = middle + 1
                else:
                    high = middle
            trial = self._best(float(places[low]), coarse, tries=1)
            if trial is None or trial.good:
                return trial
            low = max(int(np.searchsorted(places, trial.due)), low + 1)
            if low == len(places):
                break
        return None

    def _best(self, soonest: float, coarse: int, tries: int) -> Trial | None:
        """Search on a few futures, then settle the answer on all of them.

        Where the new work is ready but pushes others, standing behind them too seldom
        helps: that is given up after so many tries.
        """
        trial = self._search(soonest, coarse)
        if trial is None or trial.hopeless:
            return trial
        due = trial.due
        for _ in range(FINAL_TRIALS):
            trial = self.grown(due, coarse, self.samples)
            tries -= trial.ready <= due + LATE
            if trial.good:
                return self._level(self._sooner(trial))
            if not tries:
                break
            step = trial.ready if trial.ready > due + LATE else self._behind(trial)
            later = self.settable(max(step, due + self.problem.grid)) if step > due else None
            if later is None:
                break
            due = later
        return trial

    def _sooner(self, trial: Trial) -> Trial:
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

    def _not_later(self, trial: Trial, coarse: int) -> Trial:
        """Return a good trial that is earlier, if the earlier times told beside it hold one.

        What stands before a promise may push it no further than what stands just behind.
        """
        for _ in range(STEPS):
            due = self.settable(trial.due + min(OTHER_TIMES))
            if due is None or due <= max(self.ready, 0.0) or due >= trial.due:
                break
            earlier = self.grown(due, coarse, self.samples)
            if not earlier.good:
                break
            trial = self._sooner(earlier)
        return trial

    def _level(self, trial: Trial) -> Trial:
        """Move a time just behind another promise to that very time, if that will do.

        Of two promises for one time the older goes first: it is pushed no more by it.
        """
        due = self.shop.due
        before = due[np.isfinite(due) & (due < trial.due)]
        level = self.settable(float(before.max())) if before.size else None
        if level is None or level >= trial.due or trial.ready > level + LATE:
            return trial
        other = self.trial(level, self.samples)
        return other if other.good else trial

    def _held_back(self, held: _Held, coarse: int, before: float = math.inf) -> Trial | None:
        """Try again with the new work left alone for a while: it blocks what is urgent.

        The longer it is left alone, the later it is ready: each search begins where the
        one before ended. Times from ``before`` on are of no interest.
        """
        free, ready = self.free, self.ready
        steps = [int(free.job_first[self.count + number]) + index for number, index in held]
        later = [m for m in free.wake.tolist() if m > HOLDS[-1]]
        for moment in (*HOLDS, *later[:1]):
            not_before = free.not_before.copy()
            not_before[steps] = np.maximum(not_before[steps], moment)
            self.joint_shop, self.held_from = free._replace(not_before=not_before), moment
            trial = self.settle(self.settable(ready), coarse)
            if trial is None or trial.due >= before:
                break  # too late
            ready = trial.due
            if trial.past:
                continue
            trial = self._best(trial.due, coarse, tries=1)
            if trial is not None and trial.good and trial.due < before:
                return trial
        self.joint_shop, self.held_from = free, 0.0
        return None

    def _search(self, soonest: float, samples: int) -> Trial | None:
        """Return the earliest due time found that looks good on a few futures."""
        trial = self.settle(self.settable(soonest), samples)
        if trial is not None and not math.isfinite(self.ready):
            self.ready = trial.due
        if trial is None or trial.good:
            return trial
        self.crowded = True
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
            behind = self.settle(self.settable(float(places[low]) + AFTER), samples)
            if behind is None:
                break  # too late to be ready at all
            trial = behind
            if trial.good:
                break
        return trial

    def _behind(self, trial: Trial) -> float:
        """Return a time just behind the next of the promises it breaks, -inf if all are before."""
        harmed = self.shop.due[list(trial.past)]
        later = harmed[harmed >= trial.due]
        return float(later.min()) + AFTER if later.size else -math.inf

    def _delayed(self, trial: Trial) -> list[dict[str, Any]]:
        return [
            {
                "id": job.id,
                "p_late_before": float(trial.before[j]),
                "p_late_after": float(trial.after[j]),
            }
            for j, job in enumerate(self.problem.jobs)
            if trial.after[j] > trial.before[j] + NOTICEABLE
        ]

    def _alternatives(self, due: float, *, itself: bool = False) -> list[dict[str, Any]]:
        """Return what earlier and later times would cost, and ``due`` too if asked.

        On all futures, as the answer: on few a later time may look less sure than it.
        """
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
            found.append(self._other(other, self.samples))
        return found

    def _other(self, due: float, samples: int) -> dict[str, Any]:
        """Return what a time would cost."""
        trial = self.grown(due, min(COARSE, samples), samples)
        past = [self.problem.jobs[j].id for j in trial.past]
        return {"due": due, "p_kept": trial.p_kept, "past_limit": past}

    def _refused(self, trial: Trial, kept: Trial) -> dict[str, Any]:
        """Say why not, and what promising it for when it is ready would do to the others."""
        answer = self._none(self._refusal(trial))
        answer["pushed"] = [self.problem.jobs[j].id for j in trial.past]
        answer["delayed"] = self._delayed(kept)
        others = self._alternatives(kept.due, itself=True)
        sure = [other for other in others if other["p_kept"] >= self.confidence]
        answer["alternatives"] = sure or others
        return answer

    def _less_sure(self, samples: int) -> list[dict[str, Any]]:
        """Return times at which it would be ready with less confidence, were it done first."""
        shop = self.promised(-math.inf)
        finish = self.finish(shop, kernel_policy(self.joint, shop, self.rule), samples)
        new = handed_over(shop, finish)[:, self.new].max(axis=1)
        times = [
            self.settable(quantile(new, level)) for level in LESS_SURE if level < self.confidence
        ]
        found = [self._other(due, samples) for due in dict.fromkeys(times) if due is not None]
        return [other for other in found if other["p_kept"] >= USEFUL]

    def _refusal(self, trial: Trial | None) -> str:
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

    def _none(self, reason: str | Reason, others: Sequence[dict[str, Any]] = ()) -> dict[str, Any]:
        nothing: dict[str, Any] = {"earliest": None, "p_kept": None, "delayed": []}
        told = {"reason": reason} if isinstance(reason, str) else reason.as_json()
        return nothing | {"alternatives": list(others)} | told
